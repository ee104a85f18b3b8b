package rules

import (
	"slices"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// Findings are read by somebody on call at night, by the engineer of the
// building, and by whoever set up the controls. So a summary is one sentence with
// the numbers it rests on; a cause says what in this very case speaks for it, where
// something does, as numbers that the trend or the fleet file shows; and its first
// check is one that is safe: from a desk where a desk will do, otherwise looking,
// from where it is safe to stand.

// Words of caution that several checks need. A stopped fan is not safe to open:
// its controller starts it by itself, and its wheel turns in the wind (29 CFR
// 1910.147; roof edges: 29 CFR 1910.28). Local codes and licensed practice come
// first.
const (
	lockOut = "lock the fan out and let its wheel stop before anything is opened: it can start by itself and turns in the wind"
	onRoof  = "on the roof keep away from its edges, and go in daylight"
)

// supported adds to a cause what in this case speaks for it, where it is so.
func supported(c condition.Cause, so bool, by string) condition.Cause {
	if so {
		c.Speaks = by
	}
	return c
}

// likeliest puts the causes for which something speaks in this case before
// those for which nothing does. Otherwise they stay in their order, which is that
// of how usual they are.
func likeliest(causes ...condition.Cause) []condition.Cause {
	silent := func(c condition.Cause) int {
		if c.Speaks == "" {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(causes, func(a, b condition.Cause) int { return silent(a) - silent(b) })
	return causes
}

// careful adds to the checks of an exhaust that protects people that it is left
// alone: it must stay ready while somebody looks for the cause, and others answer
// for it (NFPA 92 smoke control, NFPA 96 commercial kitchens, ANSI/ASSP Z9.5
// laboratories, IMC 404 garages and 504 dryer shafts).
func (f *fan) careful(finding condition.Finding) condition.Finding {
	kind := ""
	switch duty := f.cfg.Duty; {
	case f.cfg.LifeSafety:
		kind = "life-safety"
	case duty == config.SmokeControl || duty == config.Kitchen || duty == config.Laboratory || duty == config.Garage ||
		duty == config.DryerShaft:
		kind = strings.ReplaceAll(string(duty), "_", "-")
	default:
		return finding
	}
	for i := range finding.Causes {
		finding.Causes[i].Check += "; this is a " + kind + " exhaust: only look, and leave stopping, forcing and opening it " +
			"to those who answer for it"
	}
	return finding
}

// percent writes a speed.
func (f *fan) percent(speed float64) string { return f.units.Format(speed, units.Ratio) }

// others counts the other fans of the same gateway, and those of them that
// answered when they were last polled.
func (f *fan) others() (all, answering int) {
	for _, other := range f.gateway.fans {
		if other == f || other.heard == neverPolled {
			continue
		}
		all++
		if other.heard == answered {
			answering++
		}
	}
	return all, answering
}
