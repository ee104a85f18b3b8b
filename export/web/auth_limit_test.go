package web

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

// atClock returns a handler for people whose time is told by hand.
func atClock(t *testing.T, now *time.Time) http.Handler {
	web, full := people(t), sample.Campus()
	return Handler(Options{Snapshot: func() *export.Snapshot { return full }, Now: func() time.Time { return *now },
		Metrics: http.NotFoundHandler(), Desk: newDesk(t), Access: func() config.Web { return web }})
}

func TestWhoGuessesWaits(t *testing.T) {
	now := sample.Now()
	h := atClock(t, &now)
	kim := with("kim", kimsPassword)
	for i := range wrongAtOnce {
		as := with("kim", fmt.Sprint(i))
		if i%2 == 1 {
			as = withHeader(fmt.Sprint("Bearer ", i))
		}
		if w := try(h, "POST", act, home, as); w.Code != 401 {
			t.Fatalf("try %d: %d %s", i, w.Code, w.Body)
		}
	}
	if w := try(h, "POST", act, "192.0.2.1:2000", with("lee", "x")); w.Code != 429 || w.Header().Get("Retry-After") != "10" {
		t.Errorf("one more from the same host: %d, wait %s", w.Code, w.Header().Get("Retry-After"))
	}
	if w := try(h, "POST", act, home, kim); w.Code != 429 {
		t.Errorf("even if it is right: %d", w.Code)
	}
	if w := try(h, "POST", act, home, withHeader("Bearer "+token)); w.Code != 200 {
		t.Errorf("a machine with a good token behind the same address: %d", w.Code)
	}
	if w := try(h, "POST", act, "192.0.2.2:1000", kim); w.Code != 200 {
		t.Errorf("from another host: %d", w.Code)
	}
	if w := try(h, "POST", act, home, kim); w.Code != 200 {
		t.Errorf("kim, who is known now: %d", w.Code)
	}
	if now = now.Add(wrongEvery - time.Second); try(h, "POST", act, home, with("lee", "x")).Code != 429 {
		t.Error("it does not wait for long")
	}
	if now = now.Add(time.Second); try(h, "POST", act, home, with("lee", "battery staple")).Code != 200 {
		t.Error("it waits for too long")
	}
	if now = now.Add(time.Hour); len(tries(h, wrongAtOnce+5)) != wrongAtOnce {
		t.Error("after an hour it does not begin anew")
	}
}

// tries returns the wrong logins out of n that were looked at.
func tries(h http.Handler, n int) (looked []int) {
	for i := range n {
		if try(h, "POST", act, home, with("sam", "x")).Code == 401 {
			looked = append(looked, i)
		}
	}
	return looked
}

// Who mistypes now and then is never held up, and who is right costs nothing.
func TestGoodLoginsDoNotCount(t *testing.T) {
	now := sample.Now()
	l := newLimit(func() time.Time { return now })
	for i := range 100 {
		if wait := l.enter(home); wait > 0 {
			t.Fatalf("login %d waits %v", i, wait)
		}
		l.forgive(home)
	}
	for i := range 100 {
		now = now.Add(wrongEvery)
		if wait := l.enter(home); wait > 0 {
			t.Fatalf("slip %d waits %v", i, wait)
		}
	}
}

func TestAddressesAreBounded(t *testing.T) {
	now := sample.Now()
	l := newLimit(func() time.Time { return now })
	for i := range 3 * mostSources {
		l.enter(fmt.Sprintf("10.%d.%d.%d:1", i>>16, i>>8&255, i&255))
		if len(l.free) > mostSources {
			t.Fatalf("%d addresses are remembered", len(l.free))
		}
		now = now.Add(time.Millisecond)
	}
}

func TestWhatIsOneAddress(t *testing.T) {
	for address, want := range map[string]string{
		"192.0.2.1:1000":           "192.0.2.1/32",
		"[::ffff:192.0.2.1]:1000":  "192.0.2.1/32",
		"[2001:db8:1:2:3::4]:1000": "2001:db8:1:2::/64",
		"[fe80::1%eth0]:1000":      "fe80::/64",
		"@":                        "invalid Prefix",
		"":                         "invalid Prefix",
	} {
		if got := sourceOf(address).String(); got != want {
			t.Errorf("%s is %s, want %s", address, got, want)
		}
	}
}
