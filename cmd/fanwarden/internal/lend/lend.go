// Package lend is how a daemon leaves a gateway to a turnover, and how it gets
// the record: over a socket in the folder of the store. Many gateways take one
// connection, so two programs cannot read them at once.
//
// A loan lasts as long as its connection: when the borrower ends, in whatever
// way, the daemon takes the gateway back. One that is forgotten is taken back
// after Longest.
package lend

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"path/filepath"
	"time"

	"fanwarden/poller/reading"
)

// Longest is the longest that a gateway is lent for since something was asked for
// last: a borrower that is about to force a fan asks, and has it long enough.
const Longest = 4 * time.Hour

// answerFor bounds the wait for the daemon's answer: it ends the request under way
// first, and a slow line takes its time-out for that.
const answerFor = 30 * time.Second

// request is one line to the daemon; one of its fields is given.
type request struct {
	Borrow reading.GatewayID `json:"borrow,omitempty"`
	Keep   json.RawMessage   `json:"keep,omitempty"`
	First  reading.FanID     `json:"first,omitempty"`
	Alive  bool              `json:"alive,omitempty"` // asks for an answer only
}

// answer is one line from the daemon.
type answer struct {
	Error  string          `json:"error,omitempty"`
	Record json.RawMessage `json:"record,omitempty"`
}

// path is the socket's in the folder of a store.
func path(dir string) string { return filepath.Join(dir, "lend.sock") }

// ErrNobody is the error of a folder that no daemon serves.
var ErrNobody = errors.New("no daemon runs on this store")

// Borrower is a connection to a daemon.
type Borrower struct {
	conn   net.Conn
	answer *bufio.Reader
}

// Connect finds the daemon that runs on a store; ErrNobody if there is none. One that
// may not be asked is not none: it polls.
func Connect(dir string) (*Borrower, error) {
	conn, err := net.DialTimeout("unix", path(dir), time.Second)
	if errors.Is(err, fs.ErrPermission) {
		return nil, fmt.Errorf("whether a daemon polls the gateways cannot be told: %w; run this as the user of the daemon, or as root", err)
	}
	if err != nil {
		return nil, ErrNobody
	}
	return &Borrower{conn, bufio.NewReader(conn)}, nil
}

// Borrow asks for a gateway. It is the borrower's until Close.
func (b *Borrower) Borrow(id reading.GatewayID) error {
	_, err := b.ask(request{Borrow: id})
	return err
}

// Keep gives a finished record to the daemon, which has it on disk when Keep
// returns nil.
func (b *Borrower) Keep(record []byte) error {
	_, err := b.ask(request{Keep: record})
	return err
}

// First asks for the first record of a fan that the daemon has; nil: it has none.
func (b *Borrower) First(fan reading.FanID) (record []byte, err error) {
	return b.ask(request{First: fan})
}

// Alive reports why the daemon no longer hears the borrower; nil while it does.
func (b *Borrower) Alive() error {
	_, err := b.ask(request{Alive: true})
	return err
}

// Close gives everything back, and waits a moment for the daemon to have it: who
// comes next may borrow at once.
func (b *Borrower) Close() {
	if half, can := b.conn.(interface{ CloseWrite() error }); can && half.CloseWrite() == nil {
		b.conn.SetReadDeadline(time.Now().Add(backWithin))
		io.Copy(io.Discard, b.answer)
	}
	b.conn.Close()
}

// backWithin is how long is waited for the daemon to take back.
const backWithin = 3 * time.Second

func (b *Borrower) ask(r request) (record []byte, err error) {
	line, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	b.conn.SetDeadline(time.Now().Add(answerFor))
	if _, err := b.conn.Write(append(line, '\n')); err != nil {
		return nil, fmt.Errorf("the daemon has gone: %w", err)
	}
	text, err := b.answer.ReadBytes('\n')
	if err != nil {
		return nil, fmt.Errorf("the daemon does not answer: %w", err)
	}
	var a answer
	if err := json.Unmarshal(text, &a); err != nil {
		return nil, fmt.Errorf("the daemon's answer makes no sense: %w", err)
	}
	if a.Error != "" {
		return nil, errors.New(a.Error)
	}
	return a.Record, nil
}
