package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// repeats judges data_not_moving: a gateway answers, and every reading of
// every fan that answers through it is to the last digit the one before (the
// controlled value, the speed, and all else that a fan does), for the hold; and
// by how often these values changed when they were well, in their quietest ten
// minutes, twenty changes of them are missing in sum. A heartbeat, where the
// gateway has one, counts among them. Then what comes is what it once read.
//
// One fan that moves disproves it. Gateways whose fans are idle at night, or
// have coarse sensors, repeat themselves for hours and are well: of such values no
// change is missing. Nor is one of a value that stood still alone, while the
// speed of its fan still moved: that is the sensor's.
//
// While it stands, and as soon as twenty changes are missing, the fans' values
// are not judged. It ends with the first value that moves.
type repeats struct {
	rule   gatewayRule
	missed float64
	reads  int // readings since a value last moved
	beat   beat
}

// beat is the gateway's heartbeat.
type beat struct {
	known bool
	fan   reading.FanID // whose readings it is taken from
	value float64
	at    int64
	lives variation
}

// suspects is how many changes must be missing. (An engineering choice: were
// they independent, a chance of e^-20.)
const suspects = 20

// suspected reports whether the gateway as good as surely repeats old values.
func (p *repeats) suspected() bool {
	return p.rule.life.setting.Enabled && p.missed >= suspects
}

// hearValues tells a gateway whether a fan's reading has moved, and the sample
// whether the gateway repeats what it once read.
func (e *Engine) hearValues(f *fan, s *sample) {
	g := f.gateway
	p := &g.repeats
	if s.still.known {
		if s.still.all {
			p.reads++
			p.missed += f.missing(s) + p.beat.miss(f, s)
		} else {
			p.reads, p.missed = 0, 0
			p.beat.miss(f, s)
		}
		full := p.rule.stand.feed(g.now, s.gap, s.still.all, wait{hold: p.rule.life.setting.Hold}) && p.missed >= suspects
		if p.rule.life.setting.Enabled && e.tellGateway(g, &p.rule, full, s.r.Time) {
			e.settleFans(g, s.r.Time)
		}
	}
	s.repeated = p.suspected()
}

// missing is the chance at which a fan's reading was to move.
func (f *fan) missing(s *sample) float64 {
	if s.mode == condition.Disabled || s.still.leaps > 0 && f.still.alone() {
		return 0
	}
	return max(s.still.leaps, s.still.drives)
}

// miss takes the heartbeat of a reading and returns the chance at which it was
// to be another.
func (b *beat) miss(f *fan, s *sample) float64 {
	value, ok := finite(s.r.Get(reading.Heartbeat))
	if !ok || b.known && b.fan != f.cfg.ID && time.Duration(s.now-b.at) <= s.gap {
		return 0
	}
	step := time.Duration(s.now - b.at)
	fresh := !b.known || b.fan != f.cfg.ID || step <= 0 || step > s.gap
	same := value == b.value
	b.known, b.fan, b.value, b.at = true, f.cfg.ID, value, s.now
	switch {
	case fresh:
		return 0
	case same:
		b.lives.repeat(step)
		return b.lives.share()
	}
	b.lives.end()
	b.lives.change(step, true)
	return 0
}
