package browser_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// checker is the script of axe-core, which testdata/run installs and names.
func checker(t *testing.T) string {
	t.Helper()
	place := os.Getenv("FANWARDEN_AXE")
	if place == "" {
		missing(t, "FANWARDEN_AXE does not name axe.min.js of the npm package axe-core; testdata/run does")
	}
	script, err := os.ReadFile(place)
	if err != nil {
		t.Fatal(err)
	}
	return string(script)
}

// violation is what axe-core finds.
type violation struct {
	ID, Help string
	Nodes    []struct {
		Target         []any
		FailureSummary string
	}
}

// rules are those of WCAG 2.1 AA, and what experience adds.
const rules = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]`

// accessible fails where the checker finds anything on the page as it stands.
func (b *tab) accessible(script, where string) {
	b.t.Helper()
	if !evaluate[bool](b, `typeof axe === "object"`) {
		evaluate[bool](b, script+"; true")
	}
	found := evaluate[[]violation](b, `axe.run(document, {runOnly: `+rules+`, resultTypes: ["violations"]}).then((found) => found.violations)`)
	for _, v := range found {
		b.t.Errorf("%s: %s: %s%s", where, v.ID, v.Help, v.places())
	}
}

// everywhere checks the page as it stands, on a phone and on a desk, light and
// dark.
func (b *tab) everywhere(script, where string) {
	b.t.Helper()
	for _, s := range []size{desk, phone} {
		b.resize(s)
		for _, theme := range themes {
			b.theme(theme)
			b.frames(2)
			b.accessible(script, fmt.Sprintf("%s, %s, %dx%d", where, theme, s.width, s.height))
		}
		b.fitsAcross(where, s)
	}
	for _, s := range []size{laptop, tablet, enlarged} {
		b.resize(s)
		b.frames(2)
		b.fitsAcross(where, s)
	}
	b.resize(desk)
}

func (v *violation) places() string {
	var all strings.Builder
	for i, n := range v.Nodes {
		if i == 4 {
			fmt.Fprintf(&all, "\n      and %d more", len(v.Nodes)-i)
			break
		}
		fmt.Fprintf(&all, "\n      %v %s", n.Target, strings.ReplaceAll(n.FailureSummary, "\n", " "))
	}
	return all.String()
}

// fitsAcross fails where the page is wider than its window, and names what
// sticks out.
func (b *tab) fitsAcross(where string, s size) {
	b.t.Helper()
	out := evaluate[[]string](b, fmt.Sprintf(`(() => {
		const wide = %d, root = document.scrollingElement;
		if (root.scrollWidth <= wide) return [];
		const kept = (e) => { // by something that scrolls by itself
			for (let p = e.parentElement; p; p = p.parentElement) {
				if (p !== document.body && p !== root && getComputedStyle(p).overflowX !== "visible") return true;
			}
			return false;
		};
		const all = [...document.body.querySelectorAll("*")].filter((e) => e.getBoundingClientRect().right > wide + 0.5 && !kept(e));
		const name = (e) => e.tagName.toLowerCase() + (e.id && "#" + e.id) + (e.getAttribute("class") ? "." + e.getAttribute("class").replaceAll(" ", ".") : "");
		return [root.scrollWidth + " px wide", ...all.slice(0, 5).map((e) => name(e) + " to " + Math.round(e.getBoundingClientRect().right))];
	})()`, s.width))
	if len(out) > 0 {
		b.t.Errorf("%s scrolls to the side at %d px: %s", where, s.width, strings.Join(out, "; "))
	}
}
