package notify

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/wneessen/go-mail"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// sendMail sends a message as e-mail to each of its recipients that have not got
// it yet, and leaves in the message those that still have not. A recipient that
// the server refuses for good, while others got it, is returned and left out.
func sendMail(ctx context.Context, w *config.Way, m *journal.Message, name string) (refused []string, err error) {
	to := m.To
	if to == nil {
		to = w.Mail.To
	}
	letters, err := write(w.Mail, m, to, name)
	if err != nil {
		return nil, err
	}
	talk, hangUp := context.WithCancel(ctx)
	defer hangUp()
	client, err := dialer(talk, w)
	if err != nil {
		return nil, err
	}
	err = client.DialAndSendWithContext(talk, letters...)
	if err != nil && ctx.Err() != nil {
		err = fmt.Errorf("the mail server takes too long: %w", ctx.Err())
	}
	refused, left, why := sortOut(letters, to)
	switch {
	case len(left) > 0:
		m.To = left
		if why == nil || ctx.Err() != nil { // nothing was tried, or it was broken off
			why = err
		}
		return refused, why
	case len(refused) < len(to):
		return refused, nil
	}
	return nil, why
}

// sortOut says who is refused for good, who is still without the letter, and why
// that is so: what stops the whole way before what concerns this letter alone.
func sortOut(letters []*mail.Msg, to []string) (refused, left []string, why error) {
	for i, letter := range letters {
		if letter.IsDelivered() {
			continue
		}
		err := answered(letter.SendError())
		r := own(err)
		if r != nil && !r.passing {
			refused = append(refused, to[i])
		} else {
			left = append(left, to[i])
		}
		if was := own(why); why == nil || was != nil && (r == nil || r.passing && !was.passing) {
			why = err
		}
	}
	return refused, left, why
}

// dialer connects by the fleet file: encrypted (STARTTLS, RFC 3207) unless it
// says otherwise, and logged in where it gives a user.
// The talk is over when its context is: the library itself minds it only while it
// dials, and leaves a line open where the greeting fails.
func dialer(talk context.Context, w *config.Way) (*mail.Client, error) {
	host, port, err := net.SplitHostPort(w.Mail.Server)
	if err != nil {
		return nil, err
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	policy := mail.TLSMandatory
	if !w.Mail.StartTLS {
		policy = mail.NoTLS
	}
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		line, err := (&net.Dialer{Timeout: dialTime}).DialContext(ctx, network, address)
		if err == nil {
			context.AfterFunc(talk, func() { line.Close() })
		}
		return line, err
	}
	options := []mail.Option{mail.WithPort(number), mail.WithTLSPolicy(policy), mail.WithTimeout(letterTime), mail.WithoutNoop(), mail.WithDialContextFunc(dial),
		mail.WithTLSConfig(&tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: w.Roots})}
	if w.Mail.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(w.Mail.User), mail.WithPassword(w.Mail.Password))
	}
	return mail.NewClient(host, options...)
}

// How long a mail server may take to be reached, and for a letter. A server that
// is given up too soon delivers the letter all the same, and gets it again: so it
// has the 5 minutes of RFC 5321, section 4.5.3.2.
const (
	dialTime   = 30 * time.Second
	letterTime = 5 * time.Minute
	leaves     = 421 // the server closes the connection, RFC 5321, section 3.8
)

// answered tells what the server says of a recipient or of the letter from what it
// says of everything that we send: that it is busy, or does not know the sender.
// 5yz is for good, 4yz will pass (RFC 5321, section 4.2.1).
func answered(err error) error {
	var e *mail.SendError
	if !errors.As(err, &e) || e.ErrorCode() == 0 {
		return err
	}
	r := &refusal{what: "the mail server: " + clip(oneLine(err.Error()), 200), way: true, passing: e.ErrorCode()/100 != 5}
	switch e.Reason {
	case mail.ErrSMTPRcptTo:
		r.way = e.ErrorCode() == leaves
	case mail.ErrSMTPData, mail.ErrSMTPDataClose:
		r.way = r.passing
	}
	return r
}

// write writes a letter to each recipient, all with the id of the message.
func write(from *config.Mail, m *journal.Message, to []string, name string) ([]*mail.Msg, error) {
	var message Message
	if err := json.Unmarshal(m.Body, &message); err != nil {
		return nil, fmt.Errorf("the message %s cannot be read: %w", m.ID, err)
	}
	_, domain, _ := strings.Cut(from.From, "@")
	letters := make([]*mail.Msg, len(to))
	for i, one := range to {
		letter := mail.NewMsg(mail.WithNoDefaultUserAgent())
		if err := errors.Join(letter.From(from.From), letter.To(one)); err != nil {
			return nil, err
		}
		letter.Subject(oneLine(message.Title))
		letter.SetMessageIDWithValue(message.ID + "@" + domain)
		letter.SetDateWithValue(message.Time.In(time.UTC))
		letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday answers
		letter.SetUserAgent(name)
		letter.SetBodyString(mail.TypeTextPlain, message.Text)
		letters[i] = letter
	}
	return letters, nil
}

// oneLine puts a text on one line: what ends a line ends a header.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, text)
}
