package main

import (
	"math/rand/v2"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// run lets the campus run for its hours and gives tell every reading of it, in
// the order of time. The reading is tell's own only until it returns. At the
// end the labels know from when their faults show.
func (c *campus) run(tell func(*reading.Reading) error) error {
	f := field.New(c.fleet, c.seed, c.start)
	for _, fault := range c.faults {
		if err := f.Put(fault); err != nil {
			return err
		}
	}
	p := poll{field: f, rnd: rand.New(rand.NewPCG(c.seed, 0x706f6c6c)), fans: make([]fanPoll, len(c.fleet.Fans))}
	witnesses, healthy, err := c.witnesses(f)
	if err != nil {
		return err
	}
	var r reading.Reading
	for f.Now().Before(c.end()) {
		f.Step(c.tick)
		healthy.step(c.tick)
		for i, fan := range c.fleet.Fans {
			if f.Now().Sub(c.start)%period(fan) != 0 || !p.one(fan, c.ways[fan.ID], &p.fans[i], &r) {
				continue
			}
			for _, w := range witnesses[fan.ID] {
				w.see(&r)
			}
			if n := c.notes[fan.ID]; n != nil {
				n.see(&r)
			}
			if err := tell(&r); err != nil {
				return err
			}
		}
	}
	c.conclude(witnesses)
	return nil
}

// period is how often a fan is polled.
func period(f *config.Fan) time.Duration { return f.Gateway.PollEvery }

// onLabel is a witness for one label: it looks at nothing before the onset and
// nothing after the end.
type onLabel struct {
	witness
	label *label
}

func (w onLabel) see(r *reading.Reading) {
	if r.Time.Before(w.label.onset) {
		if l, learns := w.witness.(interface{ learn(*reading.Reading) }); learns {
			l.learn(r)
		}
	} else if w.label.until.IsZero() || r.Time.Before(w.label.until) {
		w.witness.see(r)
	}
}

// witnesses returns who looks at the readings of each fan, and the twins that
// some of them look at beside. A gateway's witness looks at all its fans.
func (c *campus) witnesses(f *field.Field) (map[reading.FanID][]onLabel, *twins, error) {
	all := make(map[reading.FanID][]onLabel)
	var twinned []*config.Fan
	healthy := &twins{}
	for _, l := range c.labels {
		var shared witness
		for _, fan := range c.fleet.Fans {
			if !l.faulty() || l.fan != fan.ID && (l.fan != "" || l.gateway != fan.Gateway.ID) {
				continue
			}
			switch {
			case shared != nil:
			case l.want == condition.DataNotMoving:
				shared = newRepeatsEye(f, fan.Gateway)
			case l.want == condition.CreepingLoad:
				shared, twinned = &weekEye{twins: healthy, cfg: fan, start: c.start}, append(twinned, fan)
			default:
				shared = witnessOf(l.want, fan, period(fan))
			}
			all[fan.ID] = append(all[fan.ID], onLabel{shared, l})
		}
	}
	return all, healthy, c.fillTwins(healthy, twinned)
}

// conclude enters in the labels what the witnesses saw.
func (c *campus) conclude(witnesses map[reading.FanID][]onLabel) {
	for _, of := range witnesses {
		for _, w := range of {
			at, limit := w.shown()
			if l := w.label; !at.IsZero() && (l.shows.IsZero() || at.Before(l.shows)) {
				l.shows, l.limit = at, limit
			}
		}
	}
}

// poll stands for the poller: it makes of a fan's registers, and of what ails
// its line now, the reading that a poller would bring.
type poll struct {
	field *field.Field
	rnd   *rand.Rand
	fans  []fanPoll
}

// fanPoll is what is kept of a fan from poll to poll.
type fanPoll struct {
	last    reading.Reading // as it was answered
	any     bool
	contact float64 // of the poll before
	known   bool
	gapTill time.Time
}

// How often troubles of the line strike, as the field's gateways do it, and how
// often a recording has a hole.
const (
	lateShare  = 0.2
	garbled    = 0.2
	resetShare = 0.1
	gapsADay   = 12
	longestGap = 20 * time.Minute
)

// one brings one reading of a fan; false where none was recorded.
func (p *poll) one(fan *config.Fan, w way, kept *fanPoll, r *reading.Reading) bool {
	now := p.field.Now()
	if w.gaps && now.After(kept.gapTill) && p.rnd.Float64() < gapsADay*period(fan).Hours()/24 {
		kept.gapTill = now.Add(time.Duration(p.rnd.Float64() * float64(longestGap)))
	}
	if now.Before(kept.gapTill) {
		return false
	}
	r.Clear()
	if outcome := p.outcome(fan); outcome != reading.OK {
		r.Outcome = outcome
	} else if on(p.field, fan, field.RepeatsOld) && kept.any {
		*r = kept.last
	} else {
		p.field.Reading(fan.ID, r)
		kept.last, kept.any = *r, true
	}
	r.Fan, r.Gateway, r.Time = fan.ID, fan.Gateway.ID, now
	if w.contactLate {
		late(r, kept)
	}
	return true
}

// late gives a reading the contact of the poll before.
func late(r *reading.Reading, kept *fanPoll) {
	value, good := r.Get(reading.HighSpeed)
	if good && kept.known {
		r.Set(reading.HighSpeed, kept.contact)
	}
	kept.contact, kept.known = value, good
}

// outcome is how a poll of the fan ends now.
func (p *poll) outcome(fan *config.Fan) reading.Outcome {
	_, silent := p.field.On(fan.ID, "", field.SilentUnit)
	strike := p.rnd.Float64()
	switch {
	case on(p.field, fan, field.GatewayOff):
		return reading.Refused
	case silent || on(p.field, fan, field.TrunkCut):
		return reading.UnitSilent
	case on(p.field, fan, field.AnswersLate) && strike < lateShare:
		return reading.Timeout
	case on(p.field, fan, field.SendsGarbage) && strike < garbled:
		return reading.Garbled
	case on(p.field, fan, field.ResetsConnections) && strike < resetShare:
		return reading.Reset
	}
	return reading.OK
}

// on reports whether the fan's gateway has a trouble now.
func on(f *field.Field, fan *config.Fan, kind field.Kind) bool {
	_, is := f.On("", fan.Gateway.ID, kind)
	return is
}
