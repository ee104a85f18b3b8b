package web

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
)

// need is what a request must have to be served.
type need int

// The needs.
const (
	nothing need = iota // as a probe that only asks whether the daemon lives
	toRead              // a login where the fleet file wants one for reading
	toKnow              // a login always, for what is not everybody's to see
	toAct               // a login always, and no other site behind the request
)

// gate lets requests through to what they may use.
//
// People log in by HTTP Basic with a user of the fleet file, machines by a
// Bearer token. What the journal calls a person or machine is the name in the
// fleet file, never what the request says.
type gate struct {
	access func() config.Web
	log    *zap.Logger
	cross  *http.CrossOriginProtection
	logins *logins
	limit  *limit
}

func newGate(o Options) *gate {
	g := &gate{access: o.Access, log: o.Log, cross: http.NewCrossOriginProtection(), logins: newLogins(o.Now), limit: newLimit(o.Now)}
	if g.access == nil {
		g.access = func() config.Web { return config.Web{} }
	}
	if g.log == nil {
		g.log = zap.NewNop()
	}
	return g
}

// refusal is why a request is not served.
type refusal struct {
	status int
	reason string // with the remedy
	wait   time.Duration
}

// whoKey is where a request's context keeps the name of who asks.
type whoKey struct{}

// whoAsks returns the name of who sent a request that has passed the gate, or "".
func whoAsks(r *http.Request) string {
	who, _ := r.Context().Value(whoKey{}).(string)
	return who
}

// guard lets only those requests through to a handler that have what it needs.
func (g *gate) guard(n need, next http.Handler) http.Handler {
	if n == nothing {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		access := g.access()
		if n == toRead && !access.ReadingNeedsLogin {
			next.ServeHTTP(w, r)
			return
		}
		if n == toAct && g.cross.Check(r) != nil {
			refuse(w, &refusal{status: http.StatusForbidden,
				reason: "the request was sent by a page of another site; act from the daemon's own page or from a script"})
			return
		}
		who, no := g.identify(r, &access)
		if no != nil {
			refuse(w, no)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), whoKey{}, who)))
	})
}

// mayRead reports whether a request that needs nothing could read, too.
func (g *gate) mayRead(r *http.Request) bool {
	access := g.access()
	if !access.ReadingNeedsLogin {
		return true
	}
	if r.Header.Get("Authorization") == "" {
		return false
	}
	_, no := g.identify(r, &access)
	return no == nil
}

// letsIn returns whether who has sent a request that is under way is still let in
// to read. It costs next to nothing.
func (g *gate) letsIn(r *http.Request) func() bool {
	who, was := whoAsks(r), g.access()
	return func() bool {
		access := g.access()
		if !access.ReadingNeedsLogin {
			return true
		}
		user, token := access.Users[who], access.Tokens[who]
		return user+token != "" && user == was.Users[who] && token == was.Tokens[who]
	}
}

// whoSends returns the name of who sent a request, also where it needs none; ""
// for who sends no login or a wrong one.
func (g *gate) whoSends(r *http.Request) string {
	if r.Header.Get("Authorization") == "" {
		return ""
	}
	access := g.access()
	who, _ := g.identify(r, &access)
	return who
}

// identify finds out who sent a request, or why that is not to be found out.
func (g *gate) identify(r *http.Request, access *config.Web) (who string, no *refusal) {
	if len(access.Users) == 0 && len(access.Tokens) == 0 {
		return "", &refusal{status: http.StatusForbidden,
			reason: "nobody may do this, because the fleet file names no users; make a hash with `fanwarden hash` and give it under users in [web]"}
	}
	if token, given := bearer(r); given {
		if who := tokenOf(access, token); who != "" {
			return who, nil
		}
		return "", g.failed(r, "", "the token is none of those in the fleet file; make one with `fanwarden hash --token`")
	}
	name, password, given := r.BasicAuth()
	if !given {
		return "", &refusal{status: http.StatusUnauthorized, reason: "log in with a name and password, or send a token: \"Authorization: Bearer TOKEN\""}
	}
	if g.logins.known(access, name, password) {
		return name, nil
	}
	if wait := g.limit.enter(r.RemoteAddr); wait > 0 {
		return "", tooMany(wait)
	}
	good, err := g.logins.check(r.Context(), access, name, password)
	switch {
	case err != nil: // the client has gone away
		return "", &refusal{status: http.StatusServiceUnavailable, reason: "too many log in at once; try again in a moment", wait: time.Second}
	case !good:
		return "", g.wrong(r, name, "the name or the password is wrong")
	}
	g.limit.forgive(r.RemoteAddr)
	return name, nil
}

// failed counts a login that was refused without looking further.
func (g *gate) failed(r *http.Request, name, reason string) *refusal {
	if wait := g.limit.enter(r.RemoteAddr); wait > 0 {
		return tooMany(wait)
	}
	return g.wrong(r, name, reason)
}

func (g *gate) wrong(r *http.Request, name, reason string) *refusal {
	g.log.Warn("a login was refused", zap.String("name", clean(name)), zap.String("from", r.RemoteAddr), zap.String("path", r.URL.Path))
	return &refusal{status: http.StatusUnauthorized, reason: reason}
}

func tooMany(wait time.Duration) *refusal {
	return &refusal{status: http.StatusTooManyRequests, wait: wait,
		reason: "too many logins from this address were wrong; wait a little and try again with the right name and password"}
}

// refuse answers why a request is not served.
func refuse(w http.ResponseWriter, no *refusal) {
	if no.status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Basic realm="fanwarden", charset="UTF-8"`)
	}
	if no.wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int((no.wait+time.Second-1)/time.Second)))
	}
	answerJSON(w, no.status, errorAnswer{no.reason})
}

// bearer returns the token of a request, if it has one.
func bearer(r *http.Request) (token string, given bool) {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(token), strings.EqualFold(scheme, "Bearer")
}

// tokenOf returns whose token it is, or "". Every token of the fleet file is
// compared in constant time, so that the time tells nothing of them.
func tokenOf(access *config.Web, token string) (who string) {
	sum := sha256.Sum256([]byte(token))
	for name, want := range access.Tokens {
		known, err := hex.DecodeString(want)
		if err == nil && subtle.ConstantTimeCompare(known, sum[:]) == 1 {
			who = name
		}
	}
	return who
}
