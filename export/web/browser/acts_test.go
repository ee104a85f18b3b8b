package browser_test

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/fetch"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// logIn answers the browser's own question for a name and a password.
func (b *tab) logIn() {
	b.t.Helper()
	yes := true
	call(b, fetch.Enable, fetch.EnableParams{HandleAuthRequests: &yes, Patterns: []*fetch.RequestPattern{{URLPattern: "*/login*"}}})
	paused, asked := chromedp.Events(b.ctx, fetch.RequestPaused), chromedp.Events(b.ctx, fetch.AuthRequired)
	go func() {
		for e, err := range paused {
			if err != nil {
				return
			}
			_, _ = chromedp.Call(b.ctx, fetch.ContinueRequest, fetch.ContinueRequestParams{RequestID: e.RequestID})
		}
	}()
	go func() {
		for e, err := range asked {
			if err != nil {
				return
			}
			_, _ = chromedp.Call(b.ctx, fetch.ContinueWithAuth, fetch.ContinueWithAuthParams{RequestID: e.RequestID,
				AuthChallengeResponse: &fetch.AuthChallengeResponse{Response: "ProvideCredentials", Username: "kim", Password: password}})
		}
	}()
	b.clickNamed("link", "Log in")
	b.await("who is logged in", `document.querySelector("#who")?.innerText.includes("kim")`)
	b.settle()
	call(b, fetch.Disable, struct{}{})
}

func TestSomebodyAcknowledgesAnAlarm(t *testing.T) {
	w := inWorkshop(t)
	id := w.silence(t, "alder-ef2")
	b := newTab(t, w.url)
	b.open("/alarms")
	b.logIn()
	b.await("back on the page", `location.pathname === "/alarms"`)
	b.openIncident(id)
	b.click(`[data-alarm="` + id + `"] button[data-act="acknowledge"]`)
	b.await("a question", `document.querySelector("dialog[open] textarea")`)
	b.keys("on my way")
	b.clickNamed("button", "^Acknowledge$")
	b.await("no question", `!document.querySelector("dialog")`)
	until(t, patience, func() string {
		if a := w.alarms(t)["alder-ef2alder-roof"]; a.State != "acknowledged" {
			return fmt.Sprintf("%+v", a)
		}
		return ""
	})
	b.clickNamed("button|link|tab|radio", "^Standing")
	b.await("who knows of it", fmt.Sprintf(`/kim/.test(document.querySelector('[data-alarm="%s"]').innerText)`, id))
	b.open("/alarms?show=journal")
	b.await("it in the journal", `/kim[^]*on my way|on my way[^]*kim/.test(document.querySelector("main").innerText)`)
}

// What only those see who may act is for everybody, too.
func TestActingIsAccessible(t *testing.T) {
	w := inWorkshop(t)
	script := checker(t)
	id := w.silence(t, "alder-ef4")
	b := newTab(t, w.url)
	b.open("/alarms")
	b.logIn()
	b.openIncident(id)
	b.click(`[data-alarm="` + id + `"] button[aria-expanded]`)
	b.everywhere(script, "alarms, logged in, one opened")
	for _, act := range []string{"acknowledge", "shelve", "takeOut"} {
		b.click(`[data-alarm="` + id + `"] button[data-act="` + act + `"]`)
		b.await("a question", `document.querySelector("dialog[open]")`)
		b.everywhere(script, "the question of "+act)
		b.keys(kb.Escape)
		b.await("no question", `!document.querySelector("dialog")`)
	}
	b.open("/fans/alder-ef4")
	b.unfold()
	b.everywhere(script, "fan, logged in, all unfolded")
}

// A wall display is given its login in its address. All is behind it where reading
// asks for a login, too.
func TestAWallDisplayLogsInByItsAddress(t *testing.T) {
	w := inWorkshop(t)
	text, err := os.ReadFile(w.file)
	if err != nil {
		t.Fatal(err)
	}
	dir, port := t.TempDir(), fmt.Sprintf("127.0.0.1:%d", freePort(t))
	fleet := regexp.MustCompile(`(?m)^dir = .*$`).ReplaceAllString(string(text), `dir = ""`)
	fleet = regexp.MustCompile(`(?m)^listen = .*$`).ReplaceAllString(fleet, `listen = "`+port+`"`+"\n"+`reading = "login"`)
	display := workshop{file: filepath.Join(dir, "fleet.toml")}
	if err := os.WriteFile(display.file, []byte(fleet), 0o600); err != nil {
		t.Fatal(err)
	}
	display.watch(t)
	t.Cleanup(display.daemon.end)
	b := newTab(t, "http://kim:"+url.PathEscape(password)+"@"+port)
	b.open("/")
	if who := b.text("#who"); !strings.Contains(who, "kim") {
		t.Errorf("the page is read by %q", who)
	}
	b.clickNamed("link", "^Alarms")
	b.arrived("/alarms")
}

// tabTo presses the tabulator until something is focused.
func (b *tab) tabTo(selector string) {
	b.t.Helper()
	for range 300 {
		if evaluate[bool](b, fmt.Sprintf(`document.activeElement.matches(%q)`, selector)) {
			return
		}
		b.keys(kb.Tab)
	}
	b.t.Fatalf("the tabulator does not lead to %s on %s", selector, b.path())
}

// walkTo walks through the list of alarms with the arrow keys, and opens what
// went wrong together on the way.
func (b *tab) walkTo(selector string) {
	b.t.Helper()
	b.tabTo(`main li button[aria-expanded]`)
	for range 100 {
		if evaluate[bool](b, fmt.Sprintf(`document.activeElement.matches(%q)`, selector)) {
			return
		}
		if evaluate[bool](b, `document.activeElement.matches('.together > .line [aria-expanded="false"]')`) {
			b.keys(kb.Enter)
		}
		b.keys(kb.ArrowDown)
	}
	b.t.Fatalf("the arrow keys do not lead to %s on %s", selector, b.path())
}

// openIncident opens the incident that an alarm is folded in, if it is in one.
func (b *tab) openIncident(id string) {
	b.t.Helper()
	row := fmt.Sprintf(`document.querySelector('[data-alarm="%s"]')`, id)
	b.await("the alarm", row)
	evaluate[any](b, row+`.closest("ul[hidden]")?.parentElement.querySelector("button[aria-expanded]").click()`)
}

func TestSomebodyShelvesAnAlarmByKeyboardAlone(t *testing.T) {
	w := inWorkshop(t)
	id := w.silence(t, "alder-ef1")
	b := newTab(t, w.url)
	b.open("/alarms")
	b.logIn()
	b.walkTo(`[data-alarm="` + id + `"] button[aria-expanded]`)
	b.keys(kb.Enter)
	b.tabTo(`[data-alarm="` + id + `"] button[data-act="shelve"]`)
	b.keys(kb.Enter)
	b.await("a question", `document.querySelector("dialog[open]")`)
	b.tabTo(`dialog input[type="radio"]`)
	b.keys(kb.ArrowDown)
	b.tabTo("dialog textarea")
	b.keys("board is on order")
	b.tabTo(`dialog button[type="submit"]`)
	b.keys(kb.Enter)
	b.await("no question", `!document.querySelector("dialog")`)
	if !evaluate[bool](b, `document.activeElement !== document.body`) {
		t.Error("who uses a keyboard is sent back to the top of the page")
	}
	until(t, patience, func() string {
		if a := w.alarms(t)["alder-ef1alder-roof"]; a.Shelf == nil || a.Shelf.Why != "board is on order" {
			return fmt.Sprintf("%+v", a)
		}
		return ""
	})
}

func TestAFaultShowsWithoutReload(t *testing.T) {
	w := inWorkshop(t)
	b, fleet := newTab(t, w.url), newTab(t, w.url)
	b.open("/fans/alder-ef3")
	fleet.open("/")
	const silent = `/controller silent/i.test(document.querySelector("main").innerText)`
	if evaluate[bool](b, silent) {
		t.Fatal("the fan is said to be silent, and is not")
	}
	tickets := regexp.MustCompile(`(\d+) tickets?`)
	before := tickets.FindString(fleet.text("#standing"))
	for _, one := range []*tab{b, fleet} {
		evaluate[bool](one, `window.sameDocument = true`)
	}
	w.silence(t, "alder-ef3")
	b.await("the condition", silent+` && document.querySelector('main [data-condition="controller_silent"]')`)
	until(t, patience, func() string {
		if now := tickets.FindString(fleet.text("#standing")); now == before {
			return "above the fleet still stands " + now
		}
		return ""
	})
	for _, one := range []*tab{b, fleet} {
		if !evaluate[bool](one, `window.sameDocument === true`) {
			t.Error("the page was loaded anew")
		}
	}
}

// A page that looks live and is not would be the worst fault of all.
func TestALostDaemonShowsAtOnce(t *testing.T) {
	w := inWorkshop(t)
	b := newTab(t, w.url)
	b.open("/")
	const lost = `document.documentElement.dataset.live === "lost" && /not live/i.test(document.querySelector("#lost").innerText)`
	if evaluate[bool](b, lost) {
		t.Fatal("it is said to be lost, and is not")
	}
	b.expect(true)
	w.daemon.kill()
	b.awaitFor(15*time.Second, "that it is not live", lost)
	b.await("how old it is", `/as of .*\d\d:\d\d/.test(document.querySelector("#lost").innerText)`)
	w.watch(t)
	b.awaitFor(20*time.Second, "that it is live again", `document.documentElement.dataset.live === "live" && document.querySelector("#lost").hidden`)
	b.expect(false)
}
