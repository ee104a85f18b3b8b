package metrics

import (
	"math"

	dto "github.com/prometheus/client_model/go"

	"fanwarden/export"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// alarmSlots are the messages about alarms and their store, which are the
// fleet's as a whole.
type alarmSlots struct {
	standing                           [condition.Page + 1][len(alarm.States{})]number
	raised                             [condition.Page + 1]counter
	recent                             [3]number
	frequent                           [alarm.MostFrequent]frequentSlot
	acknowledge                        summarySlot
	floods, stale, chattering, pending number
	historyBytes, historyOldest        number
	dropped                            [2]counter
	flood, store, history              dto.Metric
}

// frequentSlot is the message about one of the conditions that were raised most
// often. Its labels change when another one takes its place.
type frequentSlot struct {
	number
	of alarm.Frequent
}

// summarySlot is a summary of two quantiles.
type summarySlot struct {
	metric      dto.Metric
	summary     dto.Summary
	median, p95 float64
	count       uint64
	sum         float64
}

func (s *alarmSlots) lay(l *layout) {
	for severity := range s.standing {
		s.raised[severity].lay([]*dto.LabelPair{l.severities[severity]})
		for state := range s.standing[severity] {
			s.standing[severity][state].lay([]*dto.LabelPair{l.severities[severity], pair("state", alarm.State(state).String())})
		}
	}
	for i, window := range [...]string{"10m", "1h", "1d"} {
		s.recent[i].lay([]*dto.LabelPair{pair("window", window)})
	}
	s.dropped[0].lay([]*dto.LabelPair{pair("reason", "full")})
	s.dropped[1].lay([]*dto.LabelPair{pair("reason", "order")})
	for _, n := range []*number{&s.floods, &s.stale, &s.chattering, &s.pending, &s.historyBytes, &s.historyOldest} {
		n.lay(nil)
	}
	s.acknowledge.lay()
}

func (s *summarySlot) lay() {
	half, most := 0.5, 0.95
	s.summary = dto.Summary{SampleCount: &s.count, SampleSum: &s.sum,
		Quantile: []*dto.Quantile{{Quantile: &half, Value: &s.median}, {Quantile: &most, Value: &s.p95}}}
	s.metric.Summary = &s.summary
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
	for i, n := range [...]int{figures.LastTenMinutes, figures.LastHour, figures.LastDay} {
		l.number(alarmsRecent, &s.recent[i], float64(n))
	}
	for i, one := range figures.Frequent {
		s.frequent[i].fill(l, one)
	}
	s.acknowledge.fill(l, figures)
	l.number(alarmFloods, &s.floods, float64(figures.Floods))
	l.number(alarmsStale, &s.stale, float64(figures.Stale))
	l.number(alarmsChattering, &s.chattering, float64(figures.Chattering))
	l.flag(alarmFlood, &s.flood, figures.Flood)
	l.number(notificationsPending, &s.pending, float64(snapshot.Store.Pending))
	if snapshot.Store.Used {
		l.flag(storeUp, &s.store, snapshot.Store.Up)
	}
	s.fillHistory(l, &snapshot.History)
}

// fillHistory tells how the store of readings does.
func (s *alarmSlots) fillHistory(l *layout, h *export.History) {
	if !h.Used {
		return
	}
	l.flag(historyUp, &s.history, h.Up)
	l.count(historyDropped, &s.dropped[0], h.Dropped.Full)
	l.count(historyDropped, &s.dropped[1], h.Dropped.Order)
	l.number(historyBytes, &s.historyBytes, float64(h.Bytes))
	if !h.Oldest.IsZero() {
		l.number(historyOldest, &s.historyOldest, float64(h.Oldest.Unix()))
	}
}

func (s *frequentSlot) fill(l *layout, one alarm.Frequent) {
	times := one.Times
	one.Times = 0
	if s.of != one {
		s.of = one
		s.lay(sorted(pair("building", string(one.Building)), pair("gateway", string(one.Gateway)), pair("fan", string(one.Fan)),
			pair("condition", string(one.Condition))))
	}
	l.number(alarmsFrequent, &s.number, float64(times))
}

func (s *summarySlot) fill(l *layout, f *alarm.Figures) {
	s.count, s.sum = f.Acknowledgements, f.AcknowledgedSum.Seconds()
	s.median, s.p95 = math.NaN(), math.NaN() // of nothing
	if f.Acknowledged > 0 {
		s.median, s.p95 = f.AcknowledgedMedian.Seconds(), f.AcknowledgedP95.Seconds()
	}
	l.add(alarmAcknowledge, &s.metric)
}
