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
	Up         *bool             `json:"up"`   // null before the first cycle
	Lent       bool              `json:"lent"` // to a turnover: it is not polled meanwhile
	LastCycle  *time.Time        `json:"last_cycle"`
	Took       float64           `json:"took_s"`
	PollEvery  float64           `json:"poll_every_s"`
	StaleAfter float64           `json:"stale_after_s"`
	Cycles     uint64            `json:"cycles"`
	Missed     uint64            `json:"missed"`
	Polls      map[string]uint64 `json:"polls"`
	Lately     latelyAnswer      `json:"lately"`
	Period     periodAnswer      `json:"period"`
	BusShare   *float64          `json:"bus_share"`   // of the wanted period that a cycle takes; null before the first
	ErrorsHour *float64          `json:"errors_hour"` // share of the polls that brought no answer; null before the first
	Conditions []conditionAnswer `json:"conditions"`
	Suppressed []conditionAnswer `json:"suppressed"`
	Fans       []string          `json:"fans,omitempty"` // where the answer is about this gateway only
}

// periodAnswer says how often a gateway's fans are to be read, and are.
type periodAnswer struct {
	Wanted float64  `json:"wanted_s"`
	Held   *float64 `json:"held_s"`     // null before the second cycle
	Share  *float64 `json:"held_share"` // of the cycles that were wanted, at most 1
}

// latelyAnswer is what JSON says of a gateway's last hour, or of the time since
// the daemon began to read it.
type latelyAnswer struct {
	Since  *time.Time        `json:"since"` // null before the first cycle
	Cycles uint64            `json:"cycles"`
	Missed uint64            `json:"missed"`
	Period *float64          `json:"period_s"` // mean time from start to start; null before there are two
	Polls  map[string]uint64 `json:"polls"`    // only outcomes that there were
}

func describeGateway(g *export.Gateway, now time.Time) gatewayAnswer {
	c := g.Gateway
	a := gatewayAnswer{ID: string(c.ID), Building: string(c.Building.ID), URL: c.URL, Lent: g.Lent, LastCycle: known(g.Last),
		Took: seconds(g.Took), PollEvery: seconds(c.PollEvery), StaleAfter: seconds(c.StaleAfter),
		Cycles: g.Cycles, Missed: g.Missed, Polls: make(map[string]uint64, reading.Outcomes)}
	if !g.Last.IsZero() {
		up := g.Up(now)
		a.Up = &up
	}
	for outcome, n := range g.Polls {
		a.Polls[reading.Outcome(outcome).String()] = n
	}
	lately := g.Lately()
	a.Lately = describeLately(lately)
	a.measure(c.PollEvery, &lately)
	a.Conditions, a.Suppressed = describeConditions(g.Standing)
	return a
}

func describeLately(l export.Lately) latelyAnswer {
	a := latelyAnswer{Since: known(l.Since), Cycles: l.Cycles, Missed: l.Missed, Polls: map[string]uint64{}}
	for outcome, n := range l.Polls {
		if n > 0 {
			a.Polls[reading.Outcome(outcome).String()] = n
		}
	}
	if l.Period > 0 {
		period := seconds(l.Period)
		a.Period = &period
	}
	return a
}

// measure says how much of its period the gateway holds and takes, and how many
// of its polls fail, within about the last hour.
func (a *gatewayAnswer) measure(every time.Duration, l *export.Lately) {
	a.Period.Wanted = seconds(every)
	if l.Period > 0 {
		held, share := seconds(l.Period), rounded(min(1, every.Seconds()/l.Period.Seconds()))
		a.Period.Held, a.Period.Share = &held, &share
	}
	if l.Cycles > 0 && every > 0 {
		share := rounded(l.Took.Seconds() / every.Seconds())
		a.BusShare = &share
	}
	all, failed := 0, 0
	for o, n := range l.Polls {
		all += int(n)
		if !reading.Outcome(o).Answered() {
			failed += int(n)
		}
	}
	if all > 0 {
		errors := share(failed, all)
		a.ErrorsHour = &errors
	}
}
