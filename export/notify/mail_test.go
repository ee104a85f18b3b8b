package notify

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"mime"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"mime/quotedprintable"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// mailServer is aiosmtpd as Debian has it, driven line by line.
type mailServer struct {
	t     *testing.T
	in    io.Writer
	out   *bufio.Scanner
	addr  string
	roots *x509.CertPool
}

// letter is what the server says of one that it took.
type letter struct {
	From, User, Letter string
	To                 []string
	TLS                bool
}

func startMailServer(t *testing.T, tls bool) *mailServer {
	t.Helper()
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import aiosmtpd").CombinedOutput(); err != nil {
		if os.Getenv("FANWARDEN_PEERS") == "required" {
			t.Fatalf("aiosmtpd is missing, and FANWARDEN_PEERS=required: install the Debian package python3-aiosmtpd (%s)", out)
		}
		t.Skip("skipped: aiosmtpd is not on this machine; testdata/run installs it")
	}
	cert, key, roots := certificate(t)
	args := []string{"../../testdata/peers/smtp_server.py", cert, key}
	if !tls {
		args = []string{args[0], "notls"}
	}
	cmd := exec.Command(python, args...)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); cmd.Process.Kill(); cmd.Wait() })
	s := &mailServer{t: t, in: in, out: bufio.NewScanner(out), roots: roots}
	s.addr = "localhost:" + strings.TrimPrefix(s.line(), "listening ")
	return s
}

func (s *mailServer) line() string {
	s.t.Helper()
	if !s.out.Scan() {
		s.t.Fatal("the mail server ended")
	}
	return s.out.Text()
}

func (s *mailServer) set(words string) {
	s.t.Helper()
	fmt.Fprintln(s.in, words)
	if got := s.line(); got != "done" {
		s.t.Fatalf("the mail server says %q", got)
	}
}

func (s *mailServer) letter() letter {
	s.t.Helper()
	var l letter
	if err := json.Unmarshal([]byte(s.line()), &l); err != nil {
		s.t.Fatal(err)
	}
	return l
}

func (s *mailServer) way(to ...string) *config.Way {
	return &config.Way{ID: "desk", Roots: s.roots, Mail: &config.Mail{Server: s.addr, From: "fanwarden@example.edu", To: to, StartTLS: true,
		User: "fanwarden", Password: "an invented password"}}
}

// certificate writes one for localhost that is its own authority.
func certificate(t *testing.T) (cert, key string, roots *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	der2, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if err := errors.Join(os.WriteFile(cert, text, 0o600),
		os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der2}), 0o600)); err != nil {
		t.Fatal(err)
	}
	roots = x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	return cert, key, roots
}

// told is a message in words.
func told(t *testing.T, title string) *journal.Message {
	t.Helper()
	text := title + "\n\nAt top speed (100 %) for 22 min, reading −12 Pa; " + strings.Repeat("a long line ", 20) + "\n.\nend\n"
	body, err := json.Marshal(Message{ID: "0123456789abcdef01234567", Time: night, Title: title, Text: text})
	if err != nil {
		t.Fatal(err)
	}
	return &journal.Message{ID: "desk/0123456789abcdef01234567", Way: "desk", Made: night, Body: body}
}

func TestALetterArrives(t *testing.T) {
	s := startMailServer(t, true)
	const title = "Ålder Hall, Bath risers 1-4: flat out and short of setpoint"
	m := told(t, title+"\r\nBcc: somebody@example.org")
	if refused, err := sendMail(t.Context(), s.way("desk@example.edu"), m, "fanwarden/test"); err != nil || refused != nil {
		t.Fatal(err, refused)
	}
	got := s.letter()
	if !got.TLS || got.User != "fanwarden" || got.From != "fanwarden@example.edu" || fmt.Sprint(got.To) != "[desk@example.edu]" {
		t.Errorf("%+v", got)
	}
	for _, line := range strings.Split(got.Letter, "\n") {
		if len(line) > 79 {
			t.Errorf("a line of %d characters", len(line))
		}
	}
	letter, err := mail.ReadMessage(strings.NewReader(got.Letter))
	if err != nil {
		t.Fatal(err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(letter.Header.Get("Subject"))
	if want := title + "  Bcc: somebody@example.org"; err != nil || subject != want || letter.Header.Get("Bcc") != "" {
		t.Errorf("%v: subject %q, want %q, and no other header", err, subject, want)
	}
	for key, want := range map[string]string{"Message-Id": "<0123456789abcdef01234567@example.edu>", "Auto-Submitted": "auto-generated",
		"To": "<desk@example.edu>", "From": "<fanwarden@example.edu>", "Date": "Mon, 05 Jan 2026 06:31:10 +0000"} {
		if got := letter.Header.Get(key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
	body, err := io.ReadAll(quotedprintable.NewReader(letter.Body))
	var message Message
	json.Unmarshal(m.Body, &message)
	if text := strings.ReplaceAll(string(body), "\r\n", "\n"); err != nil || strings.TrimSpace(text) != strings.TrimSpace(strings.ReplaceAll(message.Text, "\r\n", "\n")) {
		t.Errorf("%v: body %q", err, text)
	}
}

// A recipient that is refused keeps no other from the letter, and nobody gets
// it twice.
func TestRecipientsThatAreRefused(t *testing.T) {
	s := startMailServer(t, true)
	s.set("refuse gone@example.edu 550")
	s.set("refuse later@example.edu 450")
	w, m := s.way("gone@example.edu", "desk@example.edu", "later@example.edu"), told(t, "Alder Hall")
	refused, err := sendMail(t.Context(), w, m, "fanwarden/test")
	if fmt.Sprint(refused) != "[gone@example.edu]" || err == nil || fmt.Sprint(m.To) != "[later@example.edu]" {
		t.Fatalf("refused %v, left %v, %v", refused, m.To, err)
	}
	if got := s.letter(); fmt.Sprint(got.To) != "[desk@example.edu]" {
		t.Errorf("%+v", got)
	}
	s.set("accept")
	if refused, err := sendMail(t.Context(), w, m, "fanwarden/test"); err != nil || refused != nil {
		t.Error(refused, err)
	}
	if got := s.letter(); fmt.Sprint(got.To) != "[later@example.edu]" {
		t.Errorf("%+v", got)
	}
}

func TestMailThatCannotBeSent(t *testing.T) {
	s := startMailServer(t, true)
	plain := startMailServer(t, false)
	for name, c := range map[string]struct {
		set  string
		way  func(*config.Way)
		want string
		own  bool // it is refused for itself, and others would not be
	}{
		"another password":       {way: func(w *config.Way) { w.Mail.Password = "guess" }, want: "535"},
		"an unknown certificate": {way: func(w *config.Way) { w.Roots = nil }, want: "unknown authority"},
		"no STARTTLS":            {way: func(w *config.Way) { w.Mail.Server = plain.addr }, want: "STARTTLS"},
		"nobody listens":         {way: func(w *config.Way) { w.Mail.Server = "localhost:1" }, want: "refused"},
		"busy":                   {set: "busy", want: "451"},
		"an unwelcome sender":    {set: "sender 550", want: "550"},
		"put off":                {set: "refuse desk@example.edu 450", want: "450", own: true},
		"closing":                {set: "refuse desk@example.edu 421", want: "421"},
		"refused for good":       {set: "refuse desk@example.edu 550", want: "550", own: true},
	} {
		t.Run(name, func(t *testing.T) {
			defer s.set("accept")
			if c.set != "" {
				s.set(c.set)
			}
			w := s.way("desk@example.edu")
			if c.way != nil {
				c.way(w)
			}
			_, err := sendMail(t.Context(), w, told(t, "Alder Hall"), "fanwarden/test")
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("%v, want %q in it", err, c.want)
			}
			if r := (*refusal)(nil); (errors.As(err, &r) && !r.way) != c.own {
				t.Errorf("%#v", err)
			}
		})
	}
}

// A mailbox that is full for days keeps no message from anybody else.
func TestARecipientThatIsPutOff(t *testing.T) {
	s := startMailServer(t, true)
	s.set("refuse full@example.edu 452")
	b := &watched{again: make(chan journal.Message, 100)}
	ways := []*config.Way{s.way("full@example.edu", "desk@example.edu")}
	for i := range 2 {
		m := told(t, fmt.Sprintf("Alder Hall EF-%d", i))
		m.ID, m.Made = fmt.Sprintf("%s-%d", m.ID, i), time.Now()
		b.all = append(b.all, *m)
	}
	c := NewCourier(b, func() []*config.Way { return ways }, "test", zap.NewNop())
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan struct{})
	go func() { c.Run(ctx); close(ended) }()
	for range 2 {
		if got := s.letter(); fmt.Sprint(got.To) != "[desk@example.edu]" {
			t.Errorf("%+v", got)
		}
		if m := <-b.again; fmt.Sprint(m.To) != "[full@example.edu]" {
			t.Errorf("still to %v", m.To)
		}
	}
	cancel()
	<-ended
}

// watched is an outbox that says what is to be tried again.
type watched struct {
	box
	again chan journal.Message
}

func (b *watched) Again(m journal.Message) {
	b.box.Again(m)
	b.again <- m
}

// A courier that is stopped while a mail server keeps it waiting does not wait.
func TestAMailServerThatStalls(t *testing.T) {
	s := startMailServer(t, true)
	s.set("stall")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	failed := make(chan error)
	go func() {
		_, err := sendMail(ctx, s.way("desk@example.edu"), told(t, "Alder Hall"), "fanwarden/test")
		failed <- err
	}()
	if got := s.line(); got != "stalled" {
		t.Fatal(got)
	}
	cancel()
	select {
	case err := <-failed:
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
	case <-time.After(time.Minute):
		t.Fatal("it still waits")
	}
}
