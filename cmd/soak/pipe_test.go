package main

import (
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"time"
)

func listening(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// echoing is a gateway that says what it hears.
func echoing(t *testing.T) string {
	l := listening(t)
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() { io.Copy(conn, conn); conn.Close() }()
		}
	}()
	return l.Addr().String()
}

// asked sends ten times four bytes, and returns how many come back for each.
func asked(t *testing.T, conn net.Conn) (came []int) {
	t.Helper()
	var b [64]byte
	for i := range 10 {
		if _, err := conn.Write([]byte("ping")); err != nil {
			t.Fatal(err)
		}
		n := 0
		conn.SetReadDeadline(time.Now().Add(5 * time.Second))
		for n < 4 {
			more, err := conn.Read(b[n:])
			if err != nil {
				t.Fatal(err)
			}
			n += more
		}
		again := 30 * time.Millisecond
		if i == 9 { // what was late comes now
			again = time.Second
		}
		conn.SetReadDeadline(time.Now().Add(again))
		more, _ := conn.Read(b[n:])
		came = append(came, n+more)
	}
	return came
}

func TestPipe(t *testing.T) {
	l := listening(t)
	p := newPipe(l, echoing(t))
	defer p.close()
	dial := func() net.Conn {
		conn, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		return conn
	}
	for how, want := range map[way]int{through: 40, drips: 40, twice: 48} { // every fifth of ten is doubled
		p.set(how)
		conn := dial()
		sum := 0
		for _, n := range asked(t, conn) {
			sum += n
		}
		if sum != want {
			t.Errorf("way %d: %d bytes came back, want %d", how, sum, want)
		}
		conn.Close()
	}
	p.set(mute)
	conn := dial()
	defer conn.Close()
	conn.Write([]byte("ping"))
	conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	if n, err := conn.Read(make([]byte, 8)); n > 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a mute pipe says %d bytes, %v", n, err)
	}
	p.set(through) // which breaks what stands
	conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := conn.Read(make([]byte, 8)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a connection outlives the change: %v", err)
	}
}
