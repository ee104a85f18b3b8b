package web

import (
	"strings"
	"time"

	"fanwarden/export"
	"fanwarden/rules/condition"
)

// rank orders what the page shows, the worst last.
type rank int

// The ranks.
const (
	well       rank = iota
	unjudged        // nothing is known yet, or its values are not good
	unanswered      // does not answer, and something else explains it
	noteStands      // a condition of that severity stands
	ticketNeeds
	pageNeeds
	ranks int = iota
)

func gatewayRank(g *export.Gateway, now time.Time) rank {
	if worst := standingRank(g.Standing); worst > well {
		return worst
	}
	if g.Last.IsZero() {
		return unjudged
	}
	if !g.Up(now) {
		return unanswered
	}
	return well
}

func fanRank(f *export.Fan, now time.Time) rank {
	if worst := standingRank(f.Standing); worst > well {
		return worst
	}
	if !f.Polled.IsZero() && !f.Up(now) {
		return unanswered
	}
	if _, ok := f.Fresh(f.Fan.Controlled(), now); !ok {
		return unjudged
	}
	return well
}

// standingRank is that of the worst condition that nothing else explains.
func standingRank(standing []condition.Standing) rank {
	worst := well
	for _, s := range standing {
		if s.SilencedBy == "" {
			worst = max(worst, noteStands+rank(s.Severity))
		}
	}
	return worst
}

// words makes a name of the files readable: "pinned_at_max" is "pinned at max".
func words(name string) string { return clean(strings.ReplaceAll(name, "_", " ")) }
