package lend

import (
	"bufio"
	"bytes"
	"errors"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// shelf lends one gateway, "roof".
type shelf struct {
	lock sync.Mutex
	out  bool
	back chan struct{}
	kept []string
}

func (s *shelf) lender() Lender {
	return Lender{Log: zap.NewNop(), Lend: s.lend, Keep: func(r []byte) error { s.kept = append(s.kept, string(r)); return nil },
		First: s.first}
}

func (s *shelf) lend(id reading.GatewayID) (func(), error) {
	s.lock.Lock()
	defer s.lock.Unlock()
	switch {
	case id != "roof":
		return nil, errors.New("there is no such gateway")
	case s.out:
		return nil, errors.New("it is lent already")
	}
	s.out = true
	return func() {
		s.lock.Lock()
		defer s.lock.Unlock()
		s.out = false
		s.back <- struct{}{}
	}, nil
}

func (s *shelf) first(fan reading.FanID) ([]byte, error) {
	switch {
	case fan == "ill":
		return []byte(`{"fan`), nil
	case fan != "ef1":
		return nil, errors.New("the store is down")
	case len(s.kept) == 0:
		return nil, nil
	}
	return []byte(s.kept[0]), nil
}

func serving(t *testing.T) (dir string, s *shelf) {
	t.Helper()
	dir = t.TempDir()
	s = &shelf{back: make(chan struct{}, 8)}
	server, err := Serve(dir, s.lender())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	return dir, s
}

func await(t *testing.T, back chan struct{}) {
	t.Helper()
	select {
	case <-back:
	case <-time.After(10 * time.Second):
		t.Fatal("the gateway was not taken back")
	}
}

// A gateway is lent once, a record is kept, and the daemon takes the gateway back
// when the borrower has gone.
func TestLend(t *testing.T) {
	dir, s := serving(t)
	one, err := Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := one.Borrow("roof"); err != nil {
		t.Error(err)
	}
	other, err := Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if err := other.Borrow("roof"); err == nil {
		t.Error("it was lent twice")
	}
	if err := other.Borrow("cellar"); err == nil {
		t.Error("what is not there was lent")
	}
	if err := one.Keep([]byte(`{"fan":"ef1"}`)); err != nil || len(s.kept) != 1 || s.kept[0] != `{"fan":"ef1"}` {
		t.Errorf("%v; kept %q", err, s.kept)
	}
	if err := one.Alive(); err != nil {
		t.Error(err)
	}
	one.Close()
	await(t, s.back)
	if err := other.Borrow("roof"); err != nil {
		t.Error(err)
	}
}

// The first record of a fan comes as it was kept; that there is none is no fault,
// and one that is no JSON ends no connection.
func TestFirst(t *testing.T) {
	dir, _ := serving(t)
	b, err := Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if got, err := b.First("ef1"); err != nil || got != nil {
		t.Errorf("%q, %v", got, err)
	}
	for _, record := range []string{`{"fan":"ef1","who":"<b>"}`, `{"fan":"ef1","n":2}`} {
		if err := b.Keep([]byte(record)); err != nil {
			t.Error(err)
		}
	}
	if got, err := b.First("ef1"); err != nil || !bytes.Contains(got, []byte(`"who"`)) {
		t.Errorf("%q, %v", got, err)
	}
	for fan, want := range map[reading.FanID]string{"ill": "cannot be read", "other": "store is down"} {
		if got, err := b.First(fan); err == nil || !strings.Contains(err.Error(), want) || got != nil {
			t.Errorf("%s: %q, %v", fan, got, err)
		}
	}
}

// When the daemon ends, what it lent is back.
func TestServerEnds(t *testing.T) {
	dir := t.TempDir()
	s := &shelf{back: make(chan struct{}, 8)}
	server, err := Serve(dir, s.lender())
	if err != nil {
		t.Fatal(err)
	}
	b, err := Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.Borrow("roof"); err != nil {
		t.Fatal(err)
	}
	server.Close()
	await(t, s.back)
	if err := b.Borrow("roof"); err == nil {
		t.Error("a daemon that has ended lent a gateway")
	}
	if err := b.Alive(); err == nil {
		t.Error("a daemon that has ended answers")
	}
	if _, err := Connect(dir); !errors.Is(err, ErrNobody) {
		t.Errorf("%v", err)
	}
}

// A socket that a killed daemon left is no obstacle; that of a living one is.
func TestLeftover(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "lend.sock"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	s := &shelf{back: make(chan struct{}, 8)}
	server, err := Serve(dir, s.lender())
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	if _, err := Serve(dir, s.lender()); err == nil {
		t.Error("two daemons serve one folder")
	}
	if info, err := os.Stat(filepath.Join(dir, "lend.sock")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
}

// Nonsense is answered, and nothing is lent by it.
func TestNonsense(t *testing.T) {
	dir, s := serving(t)
	b, err := Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, line := range []string{"hello\n", "{}\n", "[]\n"} {
		b.conn.Write([]byte(line))
		if text, err := b.answer.ReadString('\n'); err != nil || text == "{}\n" {
			t.Errorf("%q was answered %q, %v", line, text, err)
		}
	}
	if s.out {
		t.Error("a gateway was lent")
	}
}

// A daemon that may not be asked is not taken for none, or two programs would read
// its gateways.
func TestConnectWithoutLeave(t *testing.T) {
	dir, _ := serving(t)
	if err := os.Chmod(path(dir), 0); err != nil {
		t.Fatal(err)
	}
	withoutRoot(func() {
		if _, err := Connect(dir); err == nil || errors.Is(err, ErrNobody) || !strings.Contains(err.Error(), "run this as the user of the daemon") {
			t.Error(err)
		}
	})
}

// withoutRoot does something with the rights of nobody to files, if root would have
// all of them.
func withoutRoot(do func()) {
	if os.Getuid() != 0 {
		do()
		return
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	syscall.RawSyscall(syscall.SYS_SETFSUID, 65534, 0, 0)
	defer syscall.RawSyscall(syscall.SYS_SETFSUID, 0, 0, 0)
	do()
}

// A borrower that asks has its gateway for as long again; one that does not loses it.
func TestALoanThatIsUsedGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf := &shelf{back: make(chan struct{}, 1)}
		s := &Server{lender: shelf.lender(), open: map[net.Conn]bool{}}
		here, there := net.Pipe()
		s.admit(there)
		b := &Borrower{here, bufio.NewReader(here)}
		defer b.Close()
		if err := b.Borrow("roof"); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			time.Sleep(Longest - time.Minute)
			if err := b.Alive(); err != nil {
				t.Error(err)
			}
		}
		time.Sleep(Longest - time.Second)
		if len(shelf.back) != 0 {
			t.Error("it was taken back early")
		}
		time.Sleep(2 * time.Second)
		if synctest.Wait(); len(shelf.back) != 1 {
			t.Error("it was not taken back")
		}
		s.ended.Wait()
	})
}

// A borrower has closed only when its gateway is back, so that who comes right after
// it is not told that it still has the gateway.
func TestBackAtOnce(t *testing.T) {
	dir := t.TempDir()
	out, begun, end := make(chan struct{}, 1), make(chan struct{}), make(chan struct{})
	server, err := Serve(dir, Lender{Log: zap.NewNop(), Lend: func(reading.GatewayID) (func(), error) {
		select {
		case out <- struct{}{}:
			return func() { begun <- struct{}{}; <-end; <-out }, nil
		default:
			return nil, errors.New("it is lent already")
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	for range 3 {
		b, err := Connect(dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := b.Borrow("roof"); err != nil {
			t.Fatal(err)
		}
		closed := make(chan struct{})
		go func() { b.Close(); close(closed) }()
		<-begun
		select {
		case <-closed:
			t.Error("it has closed, and its gateway is not back")
		default:
		}
		end <- struct{}{}
		<-closed
	}
}
