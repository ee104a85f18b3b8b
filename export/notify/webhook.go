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
	transport := http.DefaultTransport.(*http.Transport).Clone() // proxies come from the environment
	return &hook{name: name, client: &http.Client{Timeout: hookTime, CheckRedirect: sameHost, Transport: transport}}
}

// sameHost follows redirects within one host only: a message is for nobody else.
// Nor does it follow 301, 302 and 303: after those a client asks for a page (RFC
// 9110, section 15.4), which answers 200 and has got no message.
func sameHost(next *http.Request, via []*http.Request) error {
	if next.Method != via[0].Method {
		return fmt.Errorf("it answered %s, which would lose the message: write the address that it leads to, on %s", next.Response.Status, next.URL.Host)
	}
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
	if late, is := err.(interface{ Timeout() bool }); is && late.Timeout() && ctx.Err() == nil {
		return fmt.Errorf("it did not answer within %v", client.Timeout)
	}
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
// that it is sent now: it is down, has too much to do, does not know us, or has
// moved. A few codes speak of the message itself, and concern that one alone.
func refusalOf(answer *http.Response, text string) error {
	r := &refusal{what: fmt.Sprintf("it answered %s %s", answer.Status, clip(strings.Join(strings.Fields(text), " "), 120)), way: true,
		after: wanted(answer.Header.Get("Retry-After"), time.Now())}
	switch answer.StatusCode {
	case http.StatusBadRequest, http.StatusConflict, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		r.way = false
	}
	return r
}

// wanted reads a Retry-After: seconds or a date (RFC 9110, section 10.2.3).
func wanted(text string, now time.Time) time.Duration {
	if seconds, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(seconds) * time.Second
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(at.Sub(now), 0)
	}
	return 0
}
