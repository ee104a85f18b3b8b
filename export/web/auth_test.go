package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"fanwarden/config"
	"fanwarden/export/internal/sample"
)

// login puts something into a request that shows who sends it.
type login func(*http.Request)

func nobody(*http.Request) {}

func with(name, password string) login {
	return func(r *http.Request) { r.SetBasicAuth(name, password) }
}

func withHeader(value string) login {
	return func(r *http.Request) { r.Header.Set("Authorization", value) }
}

// try sends a request from an address.
func try(h http.Handler, method, path, from string, as login) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader("{}"))
	r.RemoteAddr = from
	r.Header.Set("Content-Type", "application/json")
	as(r)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

const (
	home = "192.0.2.1:1000"
	act  = "/api/v1/alarms/" + pinned + "/acknowledge"
)

func TestWhoMayDoWhat(t *testing.T) {
	open := people(t)
	closed := open
	closed.ReadingNeedsLogin = true
	for name, c := range map[string]struct {
		access       config.Web
		method, path string
		as           login
		status       int
		says         string
	}{
		"read":                       {open, "GET", "/api/v1/alarms", nobody, 200, ""},
		"read with a wrong password": {open, "GET", "/api/v1/alarms", with("kim", "x"), 200, ""},
		"page":                       {open, "GET", "/", nobody, 200, ""},
		"act":                        {open, "POST", act, nobody, 401, "log in"},
		"act as kim":                 {open, "POST", act, with("kim", kimsPassword), 200, `"who":"kim"`},
		"act as a machine":           {open, "POST", act, withHeader("Bearer " + token), 200, `"who":"tickets"`},
		"scheme in small letters":    {open, "POST", act, withHeader("bearer " + token), 200, `"who":"tickets"`},
		"another's password":         {open, "POST", act, with("lee", kimsPassword), 401, "is wrong"},
		"no password":                {open, "POST", act, with("kim", ""), 401, "is wrong"},
		"no name":                    {open, "POST", act, with("", kimsPassword), 401, "is wrong"},
		"unknown":                    {open, "POST", act, with("sam", kimsPassword), 401, "is wrong"},
		"too long":                   {open, "POST", act, with("kim", kimsPassword+strings.Repeat(" ", 72)), 401, "is wrong"},
		"the hash for a password":    {open, "POST", act, with("kim", open.Users["kim"]), 401, "is wrong"},
		"the token as a password":    {open, "POST", act, with("tickets", token), 401, "is wrong"},
		"wrong token":                {open, "POST", act, withHeader("Bearer c2a9f7d2"), 401, "none of those"},
		"no token":                   {open, "POST", act, withHeader("Bearer "), 401, "none of those"},
		"the token's sum":            {open, "POST", act, withHeader("Bearer " + tokenSum), 401, "none of those"},
		"another scheme":             {open, "POST", act, withHeader("Digest x"), 401, "log in"},
		"no base64":                  {open, "POST", act, withHeader("Basic ???"), 401, "log in"},
		"a copy":                     {open, "GET", "/api/v1/backup", nobody, 401, "log in"},
		"a copy for kim":             {open, "GET", "/api/v1/backup", with("kim", kimsPassword), 200, ""},
		"closed: read":               {closed, "GET", "/api/v1/alarms", nobody, 401, "log in"},
		"closed: page":               {closed, "GET", "/", nobody, 401, "log in"},
		"closed: metrics":            {closed, "GET", "/metrics", nobody, 401, "log in"},
		"closed: metrics, machine":   {closed, "GET", "/metrics", withHeader("Bearer " + token), 200, "metrics"},
		"closed: description":        {closed, "GET", "/api/v1/openapi.json", nobody, 401, "log in"},
		"closed: read as kim":        {closed, "GET", "/api/v1/alarms", with("kim", kimsPassword), 200, ""},
		"closed: lives":              {closed, "GET", "/healthz", nobody, 200, "ok"},
		"closed: ready":              {closed, "GET", "/readyz", nobody, 200, "ready"},
		"closed: style":              {closed, "GET", assetPath("base.css"), nobody, 200, ""},
		"nobody: read":               {config.Web{}, "GET", "/api/v1/alarms", nobody, 200, ""},
		"nobody: act":                {config.Web{}, "POST", act, with("kim", kimsPassword), 403, "make a hash with `fanwarden hash`"},
		"nobody: act, empty":         {config.Web{}, "POST", act, with("", ""), 403, "nobody may do this"},
		"machines only":              {config.Web{Tokens: open.Tokens}, "POST", act, with("kim", ""), 401, "is wrong"},
		"a hash that is none":        {config.Web{Users: map[string]string{"kim": kimsPassword}}, "POST", act, with("kim", kimsPassword), 401, "is wrong"},
		"a sum that is none":         {config.Web{Tokens: map[string]string{"x": "zz"}}, "POST", act, withHeader("Bearer zz"), 401, "none of those"},
		"a sum that is empty":        {config.Web{Tokens: map[string]string{"x": ""}}, "POST", act, withHeader("Bearer "), 401, "none of those"},
	} {
		d := newDesk(t)
		d.copied = []byte("x")
		w := try(handling(d, func() config.Web { return c.access }), c.method, c.path, home, c.as)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d %.200s, want %d that says %q", name, w.Code, w.Body, c.status, c.says)
		}
		asks := w.Header().Get("WWW-Authenticate")
		if (asks == `Basic realm="fanwarden", charset="UTF-8"`) != (c.status == 401) {
			t.Errorf("%s: WWW-Authenticate is %q", name, asks)
		}
		if a, _ := d.book.Find(pinned); (a.Acknowledgement != nil) != (c.path == act && c.status == 200) {
			t.Errorf("%s: acknowledged %v", name, a.Acknowledgement)
		}
	}
}

// No route that acts is open, and none but reading goes without a login.
func TestEveryRouteHasItsNeed(t *testing.T) {
	for _, r := range (&site{}).routes(nil) {
		method, path, _ := strings.Cut(r.pattern, " ")
		switch {
		case method != "GET" && r.need != toAct:
			t.Errorf("%s needs %d", r.pattern, r.need)
		case method == "GET" && r.need == nothing && path != "/healthz" && path != "/readyz" && !strings.HasPrefix(path, "/assets/"):
			t.Errorf("%s is open to everybody", r.pattern)
		}
	}
}

func TestReadyTellsOnlyThoseWhoMayRead(t *testing.T) {
	web := people(t)
	web.ReadingNeedsLogin = true
	h := Handler(Options{Snapshot: sample.Campus, Now: sample.Now, Metrics: http.NotFoundHandler(), Access: func() config.Web { return web }})
	if w := try(h, "GET", "/readyz", home, nobody); w.Code != 503 || w.Body.String() != "not ready: log in to read what is waited for\n" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := try(h, "GET", "/readyz", home, with("kim", kimsPassword)); w.Code != 503 || !strings.Contains(w.Body.String(), "birch-annex") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestOtherSitesAreRefused(t *testing.T) {
	for name, c := range map[string]struct {
		headers map[string]string
		status  int
	}{
		"a script":               {nil, 200},
		"the page itself":        {map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": "http://example.com"}, 200},
		"by hand":                {map[string]string{"Sec-Fetch-Site": "none"}, 200},
		"another site":           {map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://other.example"}, 403},
		"another host of ours":   {map[string]string{"Sec-Fetch-Site": "same-site", "Origin": "https://other.example.com"}, 403},
		"an old browser":         {map[string]string{"Origin": "http://example.com"}, 200},
		"an old one, other site": {map[string]string{"Origin": "https://other.example"}, 403},
		"an old one, other port": {map[string]string{"Origin": "http://example.com:8080"}, 403},
		"a frame without origin": {map[string]string{"Origin": "null"}, 403},
	} {
		d := newDesk(t)
		w := try(atDesk(t, d), "POST", act, home, func(r *http.Request) {
			r.SetBasicAuth("kim", kimsPassword)
			for header, value := range c.headers {
				r.Header.Set(header, value)
			}
		})
		if w.Code != c.status {
			t.Errorf("%s: %d %s, want %d", name, w.Code, w.Body, c.status)
		}
		if a, _ := d.book.Find(pinned); (a.Acknowledgement != nil) != (c.status == 200) {
			t.Errorf("%s: acknowledged %v", name, a.Acknowledgement)
		}
	}
}

// What the fleet file says after a reload holds from the next request on, also
// for logins that were good before.
func TestReloadTakesEffect(t *testing.T) {
	web := people(t)
	h := handling(newDesk(t), func() config.Web { return web })
	kim, machine := with("kim", kimsPassword), withHeader("Bearer "+token)
	for step, c := range []struct {
		change       func()
		kim, machine int
	}{
		{func() {}, 200, 200},
		{func() { web.Users = map[string]string{"kim": hashed(t, "another")} }, 401, 200},
		{func() { web.Users, web.Tokens = people(t).Users, nil }, 200, 401},
		{func() { web.Users = map[string]string{"lee": web.Users["lee"]} }, 401, 401},
	} {
		c.change()
		if got := try(h, "POST", act, home, kim).Code; got != c.kim {
			t.Errorf("step %d: kim gets %d, want %d", step, got, c.kim)
		}
		if got := try(h, "POST", act, home, machine).Code; got != c.machine {
			t.Errorf("step %d: the machine gets %d, want %d", step, got, c.machine)
		}
	}
}

// A page that asks every few seconds costs one hash, not one each time.
func TestAGoodLoginIsRemembered(t *testing.T) {
	now, web := sample.Now(), people(t)
	l := newLogins(func() time.Time { return now })
	good, err := l.check(t.Context(), &web, "kim", kimsPassword)
	if !good || err != nil {
		t.Fatal(good, err)
	}
	for _, c := range []struct {
		name, password string
		after          time.Duration
		known          bool
	}{
		{"kim", kimsPassword, 0, true},
		{"kim", kimsPassword, loginLasts - 1, true},
		{"kim", kimsPassword, loginLasts, false},
		{"kim", "another", 0, false},
		{"lee", kimsPassword, 0, false},
		{"sam", kimsPassword, 0, false},
		{"kimcorrect", " horse", 0, false},
	} {
		now = sample.Now().Add(c.after)
		if got := l.known(&web, c.name, c.password); got != c.known {
			t.Errorf("%s with %q after %v is known: %v", c.name, c.password, c.after, got)
		}
	}
	now = sample.Now()
	for range mostLogins {
		l.remember(mark{byte(len(l.good)), byte(len(l.good) >> 8)})
	}
	if len(l.good) > mostLogins {
		t.Errorf("%d logins are remembered", len(l.good))
	}
}

// Passwords are hashed one at a time; who is known does not wait, and who has
// gone away does not either.
func TestOneHashAtATime(t *testing.T) {
	web := people(t)
	l := newLogins(sample.Now)
	if good, _ := l.check(t.Context(), &web, "kim", kimsPassword); !good {
		t.Fatal("kim is refused")
	}
	l.turn <- struct{}{} // another hash goes on
	if !l.known(&web, "kim", kimsPassword) {
		t.Error("kim is known no more")
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if good, err := l.check(gone, &web, "lee", "battery staple"); good || err == nil {
		t.Errorf("a hash goes on beside another: %v, %v", good, err)
	}
	<-l.turn
	if good, err := l.check(t.Context(), &web, "lee", "battery staple"); !good || err != nil {
		t.Errorf("afterwards lee is refused: %v", err)
	}
}

// Many at once, right and wrong, do not get into each other's way.
func TestManyLogInAtOnce(t *testing.T) {
	web := people(t)
	web.ReadingNeedsLogin = true
	h := handling(newDesk(t), func() config.Web { return web })
	var all sync.WaitGroup
	for i := range wrongAtOnce {
		all.Go(func() {
			if w := try(h, "GET", "/api/v1/alarms", home, with("kim", kimsPassword)); w.Code != 200 {
				t.Errorf("kim: %d %s", w.Code, w.Body)
			}
		})
		all.Go(func() {
			from := fmt.Sprintf("192.0.2.%d:1", 100+i)
			if w := try(h, "GET", "/api/v1/alarms", from, with("kim", "x")); w.Code != 401 {
				t.Errorf("somebody else: %d %s", w.Code, w.Body)
			}
		})
	}
	all.Wait()
}

// An unknown name is compared with a hash like a known one's, so that the time
// does not tell which names there are.
func TestAnUnknownNameCostsAHash(t *testing.T) {
	web := people(t)
	if hash := anyHash(&web); hash != web.Users["kim"] {
		t.Errorf("it is compared with %q", hash)
	}
	if cost, err := bcrypt.Cost([]byte(anyHash(&web))); err != nil || cost != bcrypt.MinCost {
		t.Errorf("cost %d, %v", cost, err)
	}
	l := newLogins(sample.Now)
	l.turn <- struct{}{}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.check(gone, &web, "sam", "x"); err == nil {
		t.Error("an unknown name is refused without a hash")
	}
	<-l.turn
	if good, _ := l.check(t.Context(), &web, "sam", kimsPassword); good {
		t.Error("an unknown name is let in with the password of another")
	}
}
