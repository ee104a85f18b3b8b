package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/smtp"
	"net/textproto"
	"strings"
	"time"
	"unicode"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// sendMail sends a message as e-mail (RFC 5321, with STARTTLS by RFC 3207), and
// returns the recipients that the server refused while it took the message for
// others.
func sendMail(ctx context.Context, w *config.Way, m *journal.Message) (refused []string, err error) {
	to := w.Mail
	letter, err := writeMail(to, m)
	if err != nil {
		return nil, err
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", to.Server)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })() // whatever is waited for ends
	host, _, _ := net.SplitHostPort(to.Server)
	client, err := smtp.NewClient(conn, host)
	if err != nil {
		return nil, answered(err)
	}
	if err := greet(client, host, w); err != nil {
		return nil, err
	}
	if err := client.Mail(to.From); err != nil {
		return nil, answered(err)
	}
	var last error
	for _, one := range to.To {
		if err := client.Rcpt(one); err != nil {
			last, refused = answered(err), append(refused, one)
		}
	}
	if len(refused) == len(to.To) {
		return nil, last
	}
	return refused, hand(client, letter)
}

// greet begins a session: encrypted, unless the fleet file says otherwise, and
// logged in where it gives a user.
func greet(client *smtp.Client, host string, w *config.Way) error {
	to := w.Mail
	if to.StartTLS {
		if has, _ := client.Extension("STARTTLS"); !has {
			return errors.New("the mail server offers no STARTTLS, and nothing is sent in the clear")
		}
		if err := client.StartTLS(&tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: w.Roots}); err != nil {
			return fmt.Errorf("STARTTLS: %w", err)
		}
	}
	if to.User == "" {
		return nil
	}
	if err := client.Auth(smtp.PlainAuth("", to.User, to.Password, host)); err != nil { // refuses by itself without TLS
		return &refusal{what: "the mail server refused the login: " + err.Error(), way: true}
	}
	return nil
}

// hand gives the letter to the server. Once it has taken it, nothing that
// follows matters.
func hand(client *smtp.Client, letter []byte) error {
	w, err := client.Data()
	if err != nil {
		return answered(err)
	}
	if _, err := w.Write(letter); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return answered(err)
	}
	client.Quit()
	return nil
}

// answered tells what the server says of this message (5yz, RFC 5321, section
// 4.2.1) from what will pass.
func answered(err error) error {
	var reply *textproto.Error
	if errors.As(err, &reply) {
		return &refusal{what: fmt.Sprintf("the mail server answered %d %s", reply.Code, clip(printable(reply.Msg), 120)), way: reply.Code/100 != 5}
	}
	return err
}

// writeMail writes a letter (RFC 5322) in plain ASCII: the subject as encoded
// words (RFC 2047), the body quoted-printable (RFC 2045).
func writeMail(to *config.Mail, m *journal.Message) ([]byte, error) {
	var message Message
	if err := json.Unmarshal(m.Body, &message); err != nil {
		return nil, fmt.Errorf("the message %s cannot be read: %w", m.ID, err)
	}
	_, domain, _ := strings.Cut(to.From, "@")
	var b bytes.Buffer
	for _, line := range [][2]string{
		{"From", to.From},
		{"To", strings.Join(to.To, ",\r\n ")},
		{"Subject", mime.QEncoding.Encode("utf-8", printable(message.Title))},
		{"Date", message.Time.Format("Mon, 02 Jan 2006 15:04:05 -0700")},
		{"Message-ID", "<" + message.ID + "@" + domain + ">"},
		{"Auto-Submitted", "auto-generated"}, // RFC 3834: no holiday answers
		{"MIME-Version", "1.0"},
		{"Content-Type", "text/plain; charset=utf-8"},
		{"Content-Transfer-Encoding", "quoted-printable"},
	} {
		fmt.Fprintf(&b, "%s: %s\r\n", line[0], line[1])
	}
	b.WriteString("\r\n")
	body := quotedprintable.NewWriter(&b)
	body.Write([]byte(strings.ReplaceAll(message.Text, "\n", "\r\n"))) // into memory
	body.Close()
	return b.Bytes(), nil
}

// printable puts a text on one line: what ends a line ends a header.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, text)
}
