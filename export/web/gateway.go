package web

import (
	"time"

	"fanwarden/export"
	"fanwarden/poller/reading"
)

// gatewayAnswer is what JSON says of one gateway.
type gatewayAnswer struct {
	Time       *time.Time        `json:"time,omitempty"` // of the answer, where it is about this gateway only
	ID         string            `json:"id"`
	Building   string            `json:"building"`
	URL        string            `json:"url"`
	Up         *bool             `json:"up"` // null before the first cycle
	LastCycle  *time.Time        `json:"last_cycle"`
	Took       float64           `json:"took_s"`
	PollEvery  float64           `json:"poll_every_s"`
	StaleAfter float64           `json:"stale_after_s"`
	Cycles     uint64            `json:"cycles"`
	Missed     uint64            `json:"missed"`
	Polls      map[string]uint64 `json:"polls"`
	Conditions []conditionAnswer `json:"conditions"`
	Suppressed []conditionAnswer `json:"suppressed"`
	Fans       []string          `json:"fans,omitempty"` // where the answer is about this gateway only
}

func describeGateway(g *export.Gateway, now time.Time) gatewayAnswer {
	c := g.Gateway
	a := gatewayAnswer{ID: string(c.ID), Building: string(c.Building.ID), URL: c.URL, LastCycle: known(g.Last),
		Took: seconds(g.Took), PollEvery: seconds(c.PollEvery), StaleAfter: seconds(c.StaleAfter),
		Cycles: g.Cycles, Missed: g.Missed, Polls: make(map[string]uint64, reading.Outcomes)}
	if !g.Last.IsZero() {
		up := g.Up(now)
		a.Up = &up
	}
	for outcome, n := range g.Polls {
		a.Polls[reading.Outcome(outcome).String()] = n
	}
	a.Conditions, a.Suppressed = describeConditions(g.Standing)
	return a
}
