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
	client, err := dialer(w)
	if err != nil {
		return nil, err
	}
	err = client.DialAndSendWithContext(ctx, letters...)
	var left []string
	for i, letter := range letters {
		if e := (*mail.SendError)(nil); errors.As(letter.SendError(), &e) && !e.IsTemp() && e.ErrorCode()/100 == 5 {
			refused = append(refused, to[i])
		} else if !letter.IsDelivered() {
			left = append(left, to[i])
		}
	}
	switch {
	case len(left) > 0:
		m.To = left
		return refused, answered(err)
	case len(refused) < len(to):
		return refused, nil
	}
	return nil, answered(err)
}

// dialer connects by the fleet file: encrypted (STARTTLS, RFC 3207) unless it
// says otherwise, and logged in where it gives a user.
func dialer(w *config.Way) (*mail.Client, error) {
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
	options := []mail.Option{mail.WithPort(number), mail.WithTLSPolicy(policy), mail.WithTimeout(longestTry / 2), mail.WithoutNoop(),
		mail.WithTLSConfig(&tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: w.Roots})}
	if w.Mail.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(w.Mail.User), mail.WithPassword(w.Mail.Password))
	}
	return mail.NewClient(host, options...)
}

// answered tells what the server says of this message (5yz, RFC 5321, section
// 4.2.1) from what will pass.
func answered(err error) error {
	var e *mail.SendError
	if !errors.As(err, &e) || e.ErrorCode() == 0 {
		return err
	}
	return &refusal{what: "the mail server: " + clip(oneLine(err.Error()), 200), way: e.ErrorCode()/100 != 5}
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
