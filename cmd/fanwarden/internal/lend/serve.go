package lend

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// Lender is what a daemon does for a borrower.
type Lender struct {
	// Lend leaves a gateway alone until back is called.
	Lend func(id reading.GatewayID) (back func(), err error)
	// Keep puts a record on disk.
	Keep func(record []byte) error
	// First returns the first record of a fan that is kept, nil where there is none.
	First func(fan reading.FanID) (record []byte, err error)
	Log   *zap.Logger
}

// longestRecord bounds a line: a record with the trend of an exercise is far below.
const longestRecord = 16 << 20

// Server lends for as long as it is open.
type Server struct {
	lender Lender
	socket net.Listener
	lock   sync.Mutex
	open   map[net.Conn]bool
	over   bool // what comes now comes too late
	ended  sync.WaitGroup
}

// Serve lends the daemon's gateways through a socket in the folder of its store.
// Only the user whom the daemon runs as, and root, may borrow.
func Serve(dir string, l Lender) (*Server, error) {
	at := path(dir)
	if conn, err := net.Dial("unix", at); err == nil {
		conn.Close()
		return nil, fmt.Errorf("%s is served by another daemon", at)
	}
	if err := os.Remove(at); err != nil && !errors.Is(err, os.ErrNotExist) { // of a daemon that was killed
		return nil, err
	}
	socket, err := net.Listen("unix", at)
	if err != nil {
		return nil, fmt.Errorf("%w; turnover then cannot borrow gateways from this daemon (a path may have about 100 characters)", err)
	}
	if err := os.Chmod(at, 0o600); err != nil {
		return nil, errors.Join(err, socket.Close())
	}
	s := &Server{lender: l, socket: socket, open: map[net.Conn]bool{}}
	s.ended.Add(1)
	go s.accept()
	return s, nil
}

// Close takes everything back and ends.
func (s *Server) Close() {
	s.socket.Close()
	s.lock.Lock()
	s.over = true
	for conn := range s.open {
		conn.Close()
	}
	s.lock.Unlock()
	s.ended.Wait()
}

func (s *Server) accept() {
	defer s.ended.Done()
	for {
		conn, err := s.socket.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // no descriptor is left, for one: that passes
			time.Sleep(acceptAgain)
			continue
		}
		s.admit(conn)
	}
}

// acceptAgain is how long is waited where no connection can be taken.
const acceptAgain = 100 * time.Millisecond

// admit serves a connection, unless it was taken while the server was closed.
func (s *Server) admit(conn net.Conn) {
	s.lock.Lock()
	defer s.lock.Unlock()
	if s.over {
		conn.Close()
		return
	}
	s.open[conn] = true
	s.ended.Add(1)
	go s.serve(conn)
}

// serve answers one borrower, and takes back what it has when it has gone.
func (s *Server) serve(conn net.Conn) {
	defer s.ended.Done()
	var taken []func()
	defer func() {
		for _, back := range taken {
			back()
		}
		conn.Close() // which tells a borrower that waits
		s.lock.Lock()
		delete(s.open, conn)
		s.lock.Unlock()
	}()
	lines := bufio.NewScanner(conn)
	lines.Buffer(nil, longestRecord)
	for conn.SetDeadline(time.Now().Add(Longest)); lines.Scan(); conn.SetDeadline(time.Now().Add(Longest)) {
		a, back, err := s.do(lines.Bytes())
		if back != nil {
			taken = append(taken, back)
		}
		if err != nil {
			a.Error = err.Error()
		}
		if !reply(conn, a) {
			return
		}
	}
}

// do does what one line asks for.
func (s *Server) do(line []byte) (a answer, back func(), err error) {
	var r request
	switch err := json.Unmarshal(line, &r); {
	case err != nil:
		return a, nil, fmt.Errorf("the request makes no sense: %w", err)
	case len(r.Keep) > 0:
		return a, nil, s.lender.Keep(r.Keep)
	case r.First != "":
		a.Record, err = s.lender.First(r.First)
		return a, nil, err
	case r.Alive:
		return a, nil, nil
	case r.Borrow == "":
		return a, nil, errors.New("nothing was asked for")
	}
	lent, err := s.lender.Lend(r.Borrow)
	if err != nil {
		return a, nil, err
	}
	s.lender.Log.Info("gateway lent", zap.String("gateway", string(r.Borrow)))
	return a, func() {
		lent()
		s.lender.Log.Info("gateway taken back", zap.String("gateway", string(r.Borrow)))
	}, nil
}

func reply(conn net.Conn, a answer) bool {
	line, err := json.Marshal(a)
	if err != nil { // a record that is no JSON
		line, _ = json.Marshal(answer{Error: "what is kept cannot be read: " + err.Error()})
	}
	_, err = conn.Write(append(line, '\n'))
	return err == nil
}
