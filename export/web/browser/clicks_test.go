package browser_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// arrived waits until the page is the one of a path, and settled.
func (b *tab) arrived(path string) {
	b.t.Helper()
	b.await("the way to "+path, fmt.Sprintf(`location.pathname + location.search === %q`, path))
	b.settle()
}

// unfold opens all that is folded away.
func (b *tab) unfold() {
	b.t.Helper()
	evaluate[bool](b, `for (const one of document.querySelectorAll("main details:not([open]) > summary")) one.click(); true`)
	b.settle()
}

// Every page is reached by pressing what leads there, and none of them makes the
// browser complain.
func TestEveryPageIsReachedByClicks(t *testing.T) {
	url, _ := demonstration(t)
	b := newTab(t, url)
	b.open("/")
	evaluate[bool](b, `window.sameDocument = true`)
	b.unfold()
	b.click(`main a[data-building="quillmere"]`)
	b.arrived("/buildings/quillmere")
	b.unfold()
	b.click(`main a[data-fan="quillmere-ef7"]`)
	b.arrived("/fans/quillmere-ef7")
	b.unfold()
	for _, span := range []string{"1 h", "6 h", "7 d", "30 d", "24 h"} {
		b.clickNamed("button", "^"+span+"$")
		b.settle()
	}
	b.clickNamed("link", "^Alarms")
	b.arrived("/alarms")
	b.clickNamed("link", "^Journal")
	b.arrived("/alarms?show=journal")
	b.do(chromedp.NavigateBack())
	b.arrived("/alarms")
	b.click(`main [data-alarm] a[data-fan]`)
	b.await("a fan", `location.pathname.startsWith("/fans/")`)
	b.settle()
	b.clickNamed("link", "^Fleet$")
	b.arrived("/")
	if !evaluate[bool](b, `window.sameDocument`) {
		t.Error("going from page to page loads the document anew")
	}
	b.clickNamed("link", "^Reports$")
	b.arrived("/reports")
	b.clickNamed("link", "^Read or print")
	b.await("a report", `/^\/reports\/.+\/\d{4}-\d\d$/.test(location.pathname)`)
	b.settle()
	b.clickNamed("link", "^All reports$")
	b.arrived("/reports?building=quillmere")
}

// A mark on the operating plane opens its fan, by mouse and by keyboard.
func TestAMarkOpensItsFan(t *testing.T) {
	url, _ := demonstration(t)
	b := newTab(t, url)
	b.open("/")
	b.tabTo(`[role="application"]`)
	b.keys(kb.ArrowRight, kb.Enter)
	b.await("a fan", `location.pathname.startsWith("/fans/")`)
	b.settle()
	if heading := b.text("main h1"); strings.TrimSpace(heading) == "" {
		t.Error("the fan has no name")
	}
}
