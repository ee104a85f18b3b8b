package lend

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"net"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// FuzzServe has a borrower say anything. Each line is answered by one line of JSON,
// only what is there is lent, and once, and all of it is back when the borrower has
// gone.
func FuzzServe(f *testing.F) {
	for _, text := range []string{"{\"borrow\":\"roof\"}\n", "{\"borrow\":\"roof\"}\n{\"borrow\":\"roof\"}\n{\"keep\":{\"fan\":1}}\n", "{\"keep\":null}\n",
		"{\"borrow\":\"roof\",\"keep\":[1]}\n", "{}\n[]\n\n \n{\"borrow\":1}\n", "{\"borrow\":\"ro\\u006ff\"}", "\xff\n{\"borrow\":\"\\ud800\"}\r\n",
		"{\"borrow\":\"cellar\",\"borrow\":\"roof\"}\n", "{\"BORROW\":\"roof\"}\nnull\n"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, said []byte) {
		out, lent := 0, 0
		lender := Lender{Log: zap.NewNop(), Keep: func(record []byte) error {
			if !json.Valid(record) {
				t.Errorf("%q was kept", record)
			}
			return nil
		}}
		lender.Lend = func(id reading.GatewayID) (func(), error) {
			if id != "roof" || out > 0 {
				return nil, errors.New("no")
			}
			out++
			lent++
			return func() { out-- }, nil
		}
		answered := converse(t, lender, said)
		if out != 0 {
			t.Errorf("%d of %d are not back", out, lent)
		}
		if want := linesOf(said); answered != want {
			t.Errorf("%d answers to %d lines of %q", answered, want, said)
		}
	})
}

// converse lets a server hear what is said, and counts its answers.
func converse(t *testing.T, lender Lender, said []byte) (answered int) {
	near, far := net.Pipe()
	s := &Server{lender: lender, open: map[net.Conn]bool{}}
	s.admit(far)
	go func() {
		near.Write(said)
		near.Write([]byte{'\n'})                               // an empty line, so that the last is whole
		near.SetReadDeadline(time.Now().Add(10 * time.Second)) // for an answer that does not come
	}()
	lines := bufio.NewScanner(near)
	for lines.Scan() {
		var a answer
		if err := json.Unmarshal(lines.Bytes(), &a); err != nil {
			t.Errorf("%q is no answer", lines.Bytes())
		}
		if answered++; answered == linesOf(said) {
			break
		}
	}
	near.Close()
	s.ended.Wait()
	return answered
}

// linesOf counts the lines that are said, and the empty one that ends them.
func linesOf(said []byte) int { return bytes.Count(said, []byte{'\n'}) + 1 }

// What comes while the server is closed is not served, and does not keep it open.
func TestTooLate(t *testing.T) {
	near, far := net.Pipe()
	s := &Server{lender: Lender{Log: zap.NewNop()}, open: map[net.Conn]bool{}, over: true}
	s.admit(far)
	s.ended.Wait()
	if _, err := near.Write([]byte("{}\n")); err == nil {
		t.Error("it was served")
	}
}
