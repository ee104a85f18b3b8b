package web

import (
	"bytes"
	"slices"

	"fanwarden/export"
)

// fanTopic tells all of one fan.
type fanTopic struct {
	id     string
	layout *layout
	ledger *ledger
	at     int // its place in the fleet; below 0 where it is not in it
	told   toldFan
}

// followedFan is what JSON says of a fan that is followed.
type followedFan struct {
	fanAnswer
	Out    *actAnswer    `json:"out_of_service"`
	Alarms []alarmAnswer `json:"alarms"` // its own that are not over and known, or put aside
}

func (t *fanTopic) next(p *picture) message {
	if t.layout != p.layout {
		t.layout, t.ledger, t.told = p.layout, nil, toldFan{}
		t.at = slices.IndexFunc(p.snapshot.Fans, func(f *export.Fan) bool { return string(f.Fan.ID) == t.id })
		if t.at < 0 {
			return gone("fan:" + t.id)
		}
	}
	if t.at < 0 {
		return message{}
	}
	f := p.snapshot.Fans[t.at]
	if t.ledger == p.ledger && steady(t.told.fan, f, p.now) {
		return message{}
	}
	answer := t.describe(f, p)
	before := t.told.text
	t.ledger, t.told = p.ledger, toldFan{f, encoded(answer)}
	if bytes.Equal(before, t.told.text) {
		return message{}
	}
	answer.Time, answer.Age = known(p.now), age(f, p.now)
	return message{"fan", encoded(answer)}
}

// describe leaves out what changes by itself: the time, and the age of what was
// read.
func (t *fanTopic) describe(f *export.Fan, p *picture) followedFan {
	a := followedFan{fanAnswer: describeFan(f, p.now), Out: p.ledger.outOf(f.Fan.ID), Alarms: []alarmAnswer{}}
	a.Age = nil
	for i := range p.ledger.alarms {
		if n := &p.ledger.alarms[i]; n.open && n.alarm.Fan == f.Fan.ID {
			a.Alarms = append(a.Alarms, describeAlarm(&n.alarm, p.ledger.called))
		}
	}
	return a
}
