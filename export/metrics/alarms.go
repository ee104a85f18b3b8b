package metrics

import (
	dto "github.com/prometheus/client_model/go"

	"fanwarden/export"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// alarmSlots are the messages about alarms and their store, which are the
// fleet's as a whole.
type alarmSlots struct {
	standing                   [condition.Page + 1][len(alarm.States{})]number
	raised                     [condition.Page + 1]counter
	stale, chattering, pending number
	flood, store               dto.Metric
}

func (s *alarmSlots) lay(l *layout) {
	for severity := range s.standing {
		s.raised[severity].lay([]*dto.LabelPair{l.severities[severity]})
		for state := range s.standing[severity] {
			s.standing[severity][state].lay([]*dto.LabelPair{l.severities[severity], pair("state", alarm.State(state).String())})
		}
	}
	s.stale.lay(nil)
	s.chattering.lay(nil)
	s.pending.lay(nil)
}

// fill counts the alarms by the states in which somebody may want to look at
// them: those that are over and known are none.
func (s *alarmSlots) fill(l *layout, snapshot *export.Snapshot) {
	figures := &snapshot.Alarms
	for severity := range s.standing {
		l.count(alarmsRaised, &s.raised[severity], figures.Raised[severity])
		for state := range s.standing[severity] {
			if alarm.State(state) != alarm.Normal {
				l.number(alarms, &s.standing[severity][state], float64(figures.Standing[severity][state]))
			}
		}
	}
	l.number(alarmsStale, &s.stale, float64(figures.Stale))
	l.number(alarmsChattering, &s.chattering, float64(figures.Chattering))
	l.flag(alarmFlood, &s.flood, figures.Flood)
	l.number(notificationsPending, &s.pending, float64(snapshot.Store.Pending))
	if snapshot.Store.Used {
		l.flag(storeUp, &s.store, snapshot.Store.Up)
	}
}
