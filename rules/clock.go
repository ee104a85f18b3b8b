package rules

import (
	"time"

	"fanwarden/rules/internal/plain"
)

// slowest is the longest distance of regular readings that is still judged as
// a series. (An engineering choice.)
const slowest = 5 * time.Minute

// setBack is how many readings in a row, in ascending order among themselves
// and all before the fan's last one, prove that the clock was set back.
const setBack = 10

// advance moves the fan's time to that of a reading. It returns false for a
// reading that is not newer than the last one: such came late or twice. Only
// when a whole series of them comes is it the clock that was set back, and
// the fan's time follows it; as over a gap, nothing is counted for the step.
func (f *fan) advance(at time.Time) bool {
	now := at.UnixNano()
	if f.seen && now <= f.last {
		if f.behind == 0 || now <= f.older {
			f.behind, f.first = 0, now
		}
		f.older = now
		f.behind++
		if f.behind < setBack {
			return false
		}
		f.turnBack(f.first-int64(f.pace)-f.last, now)
	} else if f.seen {
		f.keepPace(time.Duration(now - f.last))
	}
	f.seen, f.last, f.behind, f.older, f.first = true, now, 0, 0, 0
	return true
}

// turnBack moves all that is remembered of when something happened by as much
// as the clock was set: otherwise all of it would lie in the future, and
// whatever waits for its age would wait until the clock is there again. What
// has been told keeps the time that it was told with. What was read until the
// step was believed was left out, and may have been the opposite: no hold of a
// silence runs on over it.
func (f *fan) turnBack(by, now int64) {
	plain.Shift(f, by)
	for i := range f.rules {
		plain.Shift(f.rules[i].rule, by)
		if c, is := f.rules[i].rule.(*silent); is {
			c.stand.pause()
		}
	}
	g := f.gateway
	if g.now-now > -by/2 { // the first of its fans to notice
		plain.Shift(g, by)
	}
	for _, rule := range g.rules() {
		rule.stand.pause()
	}
}

// keepPace learns at what distance the readings come. A recording may be
// coarser than the daemon's polling; a single gap changes little.
func (f *fan) keepPace(step time.Duration) {
	if f.pace == 0 || step < f.pace {
		f.pace = min(step, slowest)
		return
	}
	f.pace = min(f.pace+min(step-f.pace, f.pace/2), slowest)
}

// maxGap is the longest distance of two readings that still count as
// consecutive: three polls or the time after which a value is stale, whichever
// is longer; where readings come more slowly than that, three of their
// distances.
func (f *fan) maxGap() time.Duration { return max(f.gap, 3*f.pace) }
