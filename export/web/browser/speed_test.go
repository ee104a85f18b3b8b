//go:build !race

package browser_test

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// What the page may take on a machine with two cores. Others may be busy on it,
// so the best of some tries counts.
const (
	tries     = 5
	fleetIn   = time.Second
	trendIn   = 300 * time.Millisecond
	updatesIn = 50_000 // bytes a second
	watched   = 3 * pollEvery
)

// best is the shortest of some tries that are under a limit, or all of them.
func best(t *testing.T, what string, limit time.Duration, try func() time.Duration) {
	t.Helper()
	var took []time.Duration
	for range tries {
		one := try()
		took = append(took, one)
		if one < limit {
			t.Logf("%s in %s", what, one)
			return
		}
	}
	t.Errorf("%s in %v, want less than %s", what, took, limit)
}

// marked is when, after the page's navigation began, it last said that something
// was done; 0 as long as it did not.
func (b *tab) marked(name string) time.Duration {
	b.t.Helper()
	ms := evaluate[float64](b, `performance.getEntriesByName("`+name+`", "mark").at(-1)?.startTime ?? 0`)
	return time.Duration(ms * float64(time.Millisecond))
}

func TestTenThousandFansAreDrawnInASecond(t *testing.T) {
	b := newTab(t, serveLarge(t))
	best(t, "10,000 fans are drawn", fleetIn, func() time.Duration {
		b.do(chromedp.Navigate(b.base + "/"))
		b.await("the fleet", `performance.getEntriesByName("fleet-drawn").length`)
		return b.marked("fleet-drawn")
	})
	b.settle()
	before, begun := b.received(), time.Now()
	until(t, 2*watched, func() string {
		if time.Since(begun) < watched {
			return "updates are counted"
		}
		return ""
	})
	rate := float64(b.received()-before) / time.Since(begun).Seconds()
	t.Logf("then %.1f KB a second", rate/1000)
	if rate > updatesIn || rate == 0 {
		t.Errorf("%.0f bytes a second, want less than %d and more than none", rate, updatesIn)
	}
}

func TestAMonthOfAFanIsDrawnWhileOneWaits(t *testing.T) {
	b := newTab(t, serveLarge(t))
	b.open("/fans/ef00000")
	best(t, "30 days of a fan are drawn", trendIn, func() time.Duration {
		b.clickNamed("radio|button|link", "^1 h(our)?$")
		b.settle()
		evaluate[bool](b, `performance.clearMarks("trend-drawn");
			addEventListener("click", (event) => window.clicked = event.timeStamp, {capture: true, once: true}); true`)
		b.clickNamed("radio|button|link", "^30 d(ays)?$")
		b.await("the trend", `performance.getEntriesByName("trend-drawn").length`)
		return b.marked("trend-drawn") - time.Duration(evaluate[float64](b, "window.clicked")*float64(time.Millisecond))
	})
}
