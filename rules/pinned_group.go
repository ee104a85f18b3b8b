package rules

import (
	"fmt"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// Fans of one group draw from one riser, and what it is short of, all of them
// together do not give. A partner that runs below its top by its controller's own
// choice could give more, so the riser is not out of reach yet; only where it goes
// on like that for three holds is the fan told as pinned all the same, because
// somebody should know. A partner does not help that is not permitted, forced,
// silent or ill; nor one that rests: had it to help, it would have started within
// the hold.
//
// The riser's shortage is one condition. It is told of the fan that showed it
// first, the lead before others; as long as it stands, the partners' is not raised.

// partly is how many holds a fan may be short beside a partner that could help.
// (Engineering choice.)
const partly = 3

// without is the wait beside a partner that could help.
func (p *pinned) without() wait {
	w := p.wait
	w.hold *= partly
	return w
}

// aid is what a partner does for the riser.
type aid uint8

const (
	couldHelp aid = iota
	atTop
	rests
	cannot
)

func (a aid) String() string {
	return [...]string{"runs below its top", "is at its top too", "rests", "cannot help"}[a]
}

// aid returns what a partner does for the riser at a time.
func (f *fan) aid(now int64) aid {
	silent := !f.seen || time.Duration(now-f.last).Abs() > f.maxGap()
	switch {
	case silent || !f.mode.now.Own() && !resting.has(f.mode.now) || f.ill():
		return cannot
	case f.mode.resting:
		return rests
	case f.mode.now == condition.AtMax:
		return atTop
	}
	return couldHelp
}

// ill reports whether a fan has a condition that keeps it from helping.
func (f *fan) ill() bool {
	for _, name := range [...]condition.Name{condition.ControllerFault, condition.SensorFrozen, condition.SensorOutOfRange,
		condition.InvertedSign, condition.NoEffect, condition.StuckIdle} {
		if f.active(name) {
			return true
		}
	}
	return false
}

// helped reports whether a partner could still help.
func (f *fan) helped(now int64) bool {
	for _, p := range f.partners {
		if p.aid(now) == couldHelp {
			return true
		}
	}
	return false
}

// yields reports whether the riser's shortage is told of another fan of the
// group, or about to be told of its lead.
func (f *fan) yields(own *pinned, now int64) bool {
	if f.active(condition.PinnedAtMax) {
		return false
	}
	for _, p := range f.partners {
		if p.active(condition.PinnedAtMax) {
			return true
		}
		lead := p.cfg.Role == config.Lead && f.cfg.Role != config.Lead
		if lead && p.aid(now) == atTop && p.shortNow() && own.found().stood < own.wait.hold+pinnedExit {
			return true
		}
	}
	return false
}

// shortNow reports whether a fan is at its top and short.
func (f *fan) shortNow() bool {
	for i := range f.rules {
		if p, is := f.rules[i].rule.(*pinned); is {
			return f.rules[i].life.setting.Enabled && p.alone.held
		}
	}
	return false
}

// company says what the partners do, "" where there are none. More than two
// are counted and not named.
func (f *fan) company(now int64) string {
	if len(f.partners) == 0 {
		return ""
	}
	var all []string
	var counts [cannot + 1]int
	for _, p := range f.partners {
		all = append(all, string(p.cfg.ID)+" "+p.aid(now).String())
		counts[p.aid(now)]++
	}
	if len(all) > 2 {
		all = all[:0]
		for what, n := range counts {
			switch {
			case n == 1:
				all = append(all, "1 "+aid(what).String())
			case n > 1:
				all = append(all, fmt.Sprintf("%d %s", n, [...]string{"run below their top", "are at their top too", "rest", "cannot help"}[what]))
			}
		}
	}
	return "; of its group " + strings.Join(all, ", ")
}
