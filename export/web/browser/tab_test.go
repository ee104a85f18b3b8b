package browser_test

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// tab is a tab of the browser, with a profile of its own.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string // of the daemon, without a slash at its end

	mu       sync.Mutex
	faults   []string
	expected bool                          // faults are: the daemon is being ended
	document cdp.LoaderID                  // the one that is shown
	loading  map[network.RequestID]request // those that have not ended, but for streams
	traffic  int64                         // bytes that came, of answers and of streams
}

// size is a window, in CSS pixels.
type size struct{ width, height int64 }

var (
	phone    = size{360, 740}
	desk     = size{1440, 900}
	tablet   = size{768, 1024}
	laptop   = size{1024, 700}
	enlarged = size{320, 256} // a window of 1280x1024 at 400 % (WCAG 2.1, 1.4.10)
)

// newTab opens a tab as large as a desk's, for a daemon.
func newTab(t *testing.T, base string) *tab {
	t.Helper()
	needsBrowser(t)
	all, err := browser()
	if err != nil {
		t.Fatal(err)
	}
	b := &tab{t: t, base: base, loading: make(map[network.RequestID]request)}
	ctx, end := chromedp.NewContext(all, chromedp.WithNewBrowserContext())
	t.Cleanup(end)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	b.ctx = ctx
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	call(b, network.Enable, network.EnableParams{})
	b.resize(desk)
	t.Cleanup(b.mustBeClean)
	return b
}

// call sends a command of the protocol.
func call[P, R any](b *tab, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	answer, err := chromedp.Call(ctx, command, params)
	if err != nil {
		b.t.Fatalf("%s: %v", command.Method, err)
	}
	return answer
}

func (b *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

// evaluate returns what a script gives, its promise kept.
func evaluate[T any](b *tab, script string) T {
	b.t.Helper()
	ctx, end := context.WithTimeout(b.ctx, patience)
	defer end()
	value, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%v, in %s", err, shortened(script))
	}
	return value
}

func shortened(text string) string {
	if len(text) > 200 {
		return text[:200] + "..."
	}
	return text
}

// await waits until a condition of the page's script holds.
func (b *tab) await(what, condition string) {
	b.t.Helper()
	b.awaitFor(patience, what, condition)
}

func (b *tab) awaitFor(limit time.Duration, what, condition string) {
	b.t.Helper()
	until(b.t, limit, func() string {
		// A page that is just being left has no document for a moment.
		ctx, end := context.WithTimeout(b.ctx, patience)
		defer end()
		if met, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+condition+")")); err != nil || !met {
			return fmt.Sprintf("not seen: %s, on %s: %s", what, b.path(), shortened(b.text("main")))
		}
		return ""
	})
}

// until waits for the end of a complaint.
func until(t *testing.T, limit time.Duration, complaint func() string) {
	t.Helper()
	late := time.After(limit)
	for tick := time.NewTicker(30 * time.Millisecond); ; {
		said := complaint()
		if said == "" {
			return
		}
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("after %s: %s", limit, said)
		}
	}
}

// open loads a page and waits until it is as it will be.
func (b *tab) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
	b.settle()
}

// settle waits until the page shows what its path asks for: its heading is
// there, nothing says that it is busy, every request has ended, and beats come.
func (b *tab) settle() {
	b.t.Helper()
	b.await("a page that has settled", `document.querySelector("main h1") && !document.querySelector("main [aria-busy=true]") &&
		(!("live" in document.documentElement.dataset) || document.documentElement.dataset.live === "live")`)
	until(b.t, patience, func() string {
		if open := b.requests(); len(open) > 0 {
			return "waiting for " + strings.Join(open, ", ")
		}
		return ""
	})
	b.frames(2)
}

// frames waits until what was changed is drawn.
func (b *tab) frames(n int) {
	b.t.Helper()
	for range n {
		evaluate[bool](b, `new Promise((drawn) => requestAnimationFrame(() => drawn(true)))`)
	}
}

func (b *tab) path() string {
	b.t.Helper()
	return evaluate[string](b, `location.pathname + location.search`)
}

// text is what an element says, "" where there is none.
func (b *tab) text(selector string) string {
	b.t.Helper()
	return evaluate[string](b, fmt.Sprintf(`document.querySelector(%q)?.innerText ?? ""`, selector))
}

func (b *tab) resize(s size) {
	b.t.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: s.width, Height: s.height, DeviceScaleFactor: 1, Mobile: s.width < 600})
}

// themes are what a browser may ask a page for.
var themes = []string{"light", "dark"}

func (b *tab) theme(name string) {
	b.t.Helper()
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
}

// click presses the mouse on the first element of a selector.
func (b *tab) click(selector string) {
	b.t.Helper()
	b.await(selector, fmt.Sprintf(`document.querySelector(%q)`, selector))
	document := call(b, dom.GetDocument, dom.GetDocumentParams{})
	found := call(b, dom.QuerySelector, dom.QuerySelectorParams{NodeID: document.Root.NodeID, Selector: selector})
	b.press(call(b, dom.DescribeNode, dom.DescribeNodeParams{NodeID: found.NodeID}).Node.BackendNodeID)
}

// clickNamed presses the mouse on what a screen reader would call a role of a
// name, as the button "Acknowledge". More than one role may be given as in
// "button|link".
func (b *tab) clickNamed(role, name string) {
	b.t.Helper()
	var found cdp.BackendNodeID
	until(b.t, patience, func() string {
		var seen []string
		if found, seen = b.named(role, name); found == 0 {
			return fmt.Sprintf("there is no %s called %q on %s; there are %q", role, name, b.path(), seen)
		}
		return ""
	})
	b.press(found)
}

// named finds what has a role and a name that fits, and names all of the role.
func (b *tab) named(role, name string) (found cdp.BackendNodeID, seen []string) {
	b.t.Helper()
	fits := regexp.MustCompile(name)
	document := call(b, dom.GetDocument, dom.GetDocumentParams{})
	for one := range strings.SplitSeq(role, "|") {
		for _, node := range call(b, accessibility.QueryAXTree, accessibility.QueryAXTreeParams{NodeID: document.Root.NodeID, Role: one}).Nodes {
			var called string
			if node.Ignored || node.Name == nil || json.Unmarshal(node.Name.Value, &called) != nil {
				continue
			}
			seen = append(seen, called)
			if found == 0 && fits.MatchString(called) {
				found = node.BackendDOMNodeID
			}
		}
	}
	return found, seen
}

// press moves the mouse to the middle of a node and presses it there.
func (b *tab) press(node cdp.BackendNodeID) {
	b.t.Helper()
	call(b, dom.ScrollIntoViewIfNeeded, dom.ScrollIntoViewIfNeededParams{BackendNodeID: node})
	quads := call(b, dom.GetContentQuads, dom.GetContentQuadsParams{BackendNodeID: node}).Quads
	if len(quads) == 0 {
		b.t.Fatalf("on %s: what is to be clicked is not drawn", b.path())
	}
	q := quads[0]
	b.do(chromedp.MouseClickXY((q[0]+q[4])/2, (q[1]+q[5])/2))
}

// keys presses keys, one after the other.
func (b *tab) keys(keys ...string) {
	b.t.Helper()
	for _, key := range keys {
		b.do(chromedp.KeyEvent(key))
	}
}
