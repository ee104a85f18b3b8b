package rules

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// hearing is what a fan's last poll proved.
type hearing uint8

const (
	neverPolled    hearing = iota
	nothing                // not even the gateway was heard
	throughGateway         // the gateway was, the unit was not
	answered               // the unit was
)

func hearingOf(o reading.Outcome) hearing {
	switch {
	case o.Answered():
		return answered
	case o.GatewayAnswered():
		return throughGateway
	}
	return nothing
}

// gateway is all that the engine remembers of one gateway: how many of its
// fans' last polls proved what, and since when none did.
type gateway struct {
	cfg    *config.Gateway
	source source `plain:"-"`
	fans   []*fan

	polled   int // fans that were polled at all
	proving  int // whose last poll proved that the gateway lives
	answers  int // whose last poll was answered by the unit
	now      int64
	provenAt int64 // when the gateway last proved to live
	heardAt  int64 // when a unit last answered
	refusals int   // failed polls of the present outage that were refused
	failures int   // all failed polls of the present outage

	down    gatewayRule
	line    gatewayRule
	repeats repeats
}

// gatewayRule is one condition of a gateway.
type gatewayRule struct {
	stand stand
	life  life
}

func newGateway() *gateway {
	return &gateway{
		down:    gatewayRule{life: life{name: condition.GatewayDown}},
		line:    gatewayRule{life: life{name: condition.LineSilent}},
		repeats: repeats{rule: gatewayRule{life: life{name: condition.DataNotMoving}}},
	}
}

// rules returns the conditions of the gateway, cause before consequence.
func (g *gateway) rules() []*gatewayRule {
	return []*gatewayRule{&g.down, &g.line, &g.repeats.rule}
}

func (g *gateway) configure(cfg *config.Gateway, fleet *config.Fleet) {
	g.cfg = cfg
	g.source = source{building: cfg.Building.ID, gateway: cfg.ID}
	g.down.life.setting = fleet.Rules[condition.GatewayDown]
	g.line.life.setting = fleet.Rules[condition.LineSilent]
	g.repeats.rule.life.setting = fleet.Rules[condition.DataNotMoving]
}

func (g *gateway) period(fleet *config.Fleet) time.Duration {
	if g.cfg.PollEvery > 0 {
		return g.cfg.PollEvery
	}
	return fleet.PollEvery
}

func (g *gateway) staleAfter(fleet *config.Fleet) time.Duration {
	if g.cfg.StaleAfter > 0 {
		return g.cfg.StaleAfter
	}
	return fleet.StaleAfter
}

// active reports whether a condition of the gateway is raised.
func (g *gateway) active(name condition.Name) bool {
	switch name {
	case condition.GatewayDown:
		return g.down.life.active
	case condition.LineSilent:
		return g.line.life.active
	case condition.DataNotMoving:
		return g.repeats.rule.life.active
	}
	return false
}

// suspected reports whether the gateway or its line may be dead: the evidence
// has begun, whether or not it has stood for its hold. As long as it has, no
// single unit can be called silent.
func (g *gateway) suspected() bool { return g.down.stand.open || g.line.stand.open }

// hear tells the gateway how the poll of one of its fans ended, and its fans
// what became of the gateway.
func (e *Engine) hear(f *fan, s *sample) {
	g := f.gateway
	h := hearingOf(s.r.Outcome)
	g.count(f.heard, -1)
	g.count(h, +1)
	f.heard = h
	g.now = max(g.now, s.now)
	g.note(h, s)

	down := h == nothing && (g.proving == 0 || g.quiet(g.provenAt, s.gap))
	changed := e.judgeGateway(g, &g.down, down, s.gap, s.r.Time)
	// Of the first fan that is polled after a start nothing can be said of the
	// line, whatever was known of it before.
	if unknown := h == throughGateway && g.polled < 2 && len(g.fans) > 1; !down && !unknown {
		line := h != answered && g.polled > 1 && (g.answers == 0 || g.quiet(g.heardAt, s.gap))
		changed = e.judgeGateway(g, &g.line, line, s.gap, s.r.Time) || changed
	}
	if changed {
		e.settleLine(g, s.r.Time)
		e.settleFans(g, s.r.Time)
	}
}

// count adds n polls that proved h to the sums.
func (g *gateway) count(h hearing, n int) {
	switch h {
	case neverPolled:
		return
	case answered:
		g.answers += n
		g.proving += n
	case throughGateway:
		g.proving += n
	}
	g.polled += n
}

// note keeps when the gateway and its units were last heard, and how the
// polls of an outage failed.
func (g *gateway) note(h hearing, s *sample) {
	if h >= throughGateway {
		g.provenAt, g.refusals, g.failures = g.now, 0, 0
	} else {
		g.failures++
		if s.r.Outcome == reading.Refused {
			g.refusals++
		}
	}
	if h == answered {
		g.heardAt = g.now
	}
}

// quiet reports whether what was last heard at a time is too long ago to
// count, though the fan that heard it was not polled since.
func (g *gateway) quiet(at int64, gap time.Duration) bool { return time.Duration(g.now-at) > gap }

// judgeGateway feeds one condition of a gateway and returns whether it
// changed. It ends with the first answer: a proof of life needs no hold.
func (e *Engine) judgeGateway(g *gateway, rule *gatewayRule, evidence bool, gap time.Duration, now time.Time) bool {
	full := rule.stand.feed(g.now, gap, evidence, wait{hold: rule.life.setting.Hold})
	return rule.life.setting.Enabled && e.tellGateway(g, rule, full, now)
}

// tellGateway acts on whether a condition of a gateway is there and returns
// whether that changed.
func (e *Engine) tellGateway(g *gateway, rule *gatewayRule, full bool, now time.Time) bool {
	l := &rule.life
	l.state = condition.Absent
	if full {
		l.state = condition.Present
	}
	switch {
	case full && !l.stands:
		l.stands, l.severity = true, l.setting.Severity
		l.since = time.Unix(0, rule.stand.since).In(now.Location())
		l.finding = g.finding(l.name, rule.stand.stood)
		e.raise(g.source, l, now)
	case !full && l.stands:
		e.clear(g.source, l, now, condition.Recovered)
		l.end()
	default:
		return false
	}
	return true
}

// settleLine silences what is told of the line and of values that do not move
// while the gateway is down: neither can be judged behind a dead gateway.
// Afterwards they are judged anew.
func (e *Engine) settleLine(g *gateway, now time.Time) {
	for _, rule := range []*gatewayRule{&g.line, &g.repeats.rule} {
		l := &rule.life
		switch {
		case l.stands && g.down.life.active:
			l.silenced = condition.GatewayDown
			e.clear(g.source, l, now, condition.Silenced)
		case l.silenced != "":
			l.end()
			rule.stand.forget()
		}
	}
}

// settleFans brings what is told of the gateway's fans in line with what is
// known of the gateway now.
func (e *Engine) settleFans(g *gateway, now time.Time) {
	for _, f := range g.fans {
		for i := range f.rules {
			if f.rules[i].life.stands {
				e.settle(f, &f.rules[i], now)
			}
		}
	}
}
