package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// hook posts messages.
type hook struct {
	client *http.Client
	name   string
}

// hookTime is the longest that a webhook may take to answer.
const hookTime = 10 * time.Second

func newHook(name string) *hook {
	return &hook{name: name, client: &http.Client{Timeout: hookTime, CheckRedirect: sameHost}}
}

// sameHost follows redirects within one host only: a message is for nobody else.
func sameHost(next *http.Request, via []*http.Request) error {
	if len(via) >= 3 || next.URL.Host != via[0].URL.Host || via[0].URL.Scheme == "https" && next.URL.Scheme != "https" {
		return errors.New("it is sent on to " + next.URL.Host + ", which is not followed")
	}
	return nil
}

// post sends a message to a webhook, signed where the way has a secret.
func (h *hook) post(ctx context.Context, w *config.Way, m *journal.Message, now time.Time) error {
	id, at := idOf(m), strconv.FormatInt(now.Unix(), 10)
	header := http.Header{"X-Fanwarden-Id": {id}, "X-Fanwarden-Time": {at}}
	if w.Secret != nil {
		header.Set("X-Fanwarden-Signature", "sha256="+sign(w.Secret, id, at, m.Body))
	}
	return h.send(ctx, h.clientOf(w), w.Webhook, header, m.Body)
}

// clientOf is the client for a way: one that trusts its own authorities keeps no
// connection open.
func (h *hook) clientOf(w *config.Way) *http.Client {
	if w.Roots == nil {
		return h.client
	}
	own := *h.client
	own.Transport = &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: w.Roots, MinVersion: tls.VersionTLS12}}
	return &own
}

// idOf is the id that the receiver sees: the message's without the way.
func idOf(m *journal.Message) string {
	_, id, _ := strings.Cut(m.ID, "/")
	return id
}

// sign is HMAC-SHA256 (RFC 2104) over id, time and body.
func sign(secret []byte, id, at string, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(id + "." + at + "."))
	mac.Write(body)
	return hex.EncodeToString(mac.Sum(nil))
}

func (h *hook) send(ctx context.Context, client *http.Client, url string, header http.Header, body []byte) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header = header
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", h.name)
	answer, err := client.Do(request)
	if err != nil {
		return bare(err)
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, 300))
	if answer.StatusCode/100 == 2 {
		return nil
	}
	return refusalOf(answer, string(text))
}

// bare takes the url from an error: it may hold a secret, and the log is read by
// many.
func bare(err error) error {
	type unwrapper interface{ Unwrap() error }
	if outer, is := err.(unwrapper); is && outer.Unwrap() != nil {
		return outer.Unwrap()
	}
	return err
}

// refusalOf says what an answer means. Most that a receiver answers concerns all
// that it is sent now: it is down, has too much to do, or does not know us. What
// it says of the message itself (4xx) concerns that one alone.
func refusalOf(answer *http.Response, text string) error {
	r := &refusal{what: fmt.Sprintf("it answered %s %s", answer.Status, clip(strings.Join(strings.Fields(text), " "), 120))}
	switch code := answer.StatusCode; {
	case code == http.StatusRequestTimeout, code == http.StatusTooManyRequests, code == http.StatusUnauthorized, code == http.StatusForbidden,
		code == http.StatusNotFound, code/100 != 4:
		r.way = true
	}
	if seconds, err := strconv.Atoi(answer.Header.Get("Retry-After")); err == nil && seconds > 0 {
		r.after = time.Duration(seconds) * time.Second
	}
	return r
}
