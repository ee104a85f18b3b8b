package web

import (
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
)

// ledger is what the desk says, as of one of its revisions.
type ledger struct {
	revision uint64
	called   *names
	alarms   []noted // in the order of the desk
	out      map[reading.FanID]alarm.Act
	// unacknowledged stand, and nobody has said that they know; shelved are put
	// aside.
	unacknowledged, shelved int
}

// noted is one alarm. What is over and known is not open, and has no text.
type noted struct {
	alarm alarm.Alarm
	open  bool
	text  []byte // as JSON
}

func newLedger(desk Desk, called *names) *ledger {
	l := &ledger{revision: desk.Revision(), called: called} // first: what changes meanwhile makes another one
	all := desk.Alarms()
	l.out, l.alarms = desk.Out(), make([]noted, len(all))
	for i := range all {
		n := noted{alarm: all[i], open: inState(&all[i], nil)}
		if n.open {
			n.text = encoded(describeAlarm(&n.alarm, called))
		}
		if n.alarm.State == alarm.Unacknowledged && !n.alarm.Quiet() {
			l.unacknowledged++
		}
		if n.alarm.Shelf != nil {
			l.shelved++
		}
		l.alarms[i] = n
	}
	return l
}

// notes returns what the desk says now. Nothing is copied as long as it says the
// same of the same fleet. The caller holds the lock of the pictures.
func (s *site) notes() *ledger {
	called := s.names()
	switch {
	case s.desk == nil && s.noted == nil:
		s.noted = &ledger{}
	case s.desk != nil && (s.noted == nil || s.noted.revision != s.desk.Revision() || s.noted.called != called):
		s.noted = newLedger(s.desk, called)
	}
	return s.noted
}

// outOf says who took a fan out of service, and why; nil where nobody did.
func (l *ledger) outOf(fan reading.FanID) *actAnswer {
	act, is := l.out[fan]
	if !is {
		return nil
	}
	answer := describeAct(act)
	return &answer
}
