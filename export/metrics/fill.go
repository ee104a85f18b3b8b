package metrics

import (
	"time"

	dto "github.com/prometheus/client_model/go"

	"fanwarden/export"
	"fanwarden/poller/reading"
)

// fill sets every number from one snapshot and returns the families that have
// a series, in the order of their names.
func (l *layout) fill(s *export.Snapshot, now time.Time) []*dto.MetricFamily {
	l.layFans()
	l.fillFew(s, now)
	for i, f := range s.Fans {
		l.fan(&l.fans[i], f, now)
	}
	l.shown = l.shown[:0]
	for i := range l.families {
		if len(l.families[i].Metric) > 0 { // the encoder refuses an empty family
			l.shown = append(l.shown, &l.families[i])
		}
	}
	return l.shown
}

// fillFew sets the numbers of all that is not a fan's.
func (l *layout) fillFew(s *export.Snapshot, now time.Time) {
	for i := range l.families {
		l.families[i].Metric = l.families[i].Metric[:0]
	}
	l.flag(buildInfo, &l.build, true)
	l.flag(reloadSuccessful, &l.reload, s.Reload.Good)
	l.instant(reloadSucceededAt, &l.reloadedAt, s.Reload.GoodAt)
	l.alarms.fill(l, s)
	l.delay.fill(&s.Delay)
	l.add(pollDelay, &l.delay.metric)
	for i, g := range s.Gateways {
		l.gateway(&l.gateways[i], g, now)
	}
}

func (l *layout) fan(slots *fanSlots, f *export.Fan, now time.Time) {
	if value, ok := f.Fresh(reading.Pressure, now); ok {
		l.number(pressure, &slots.pressure, value)
	}
	if value, ok := f.Fresh(reading.Airflow, now); ok {
		l.number(airflow, &slots.airflow, value)
	}
	if value, ok := f.Fresh(reading.Speed, now); ok {
		l.number(speed, &slots.speed, value)
	}
	if value, ok := f.Setpoint(now); ok {
		kind := setpointPressure
		if f.Fan.ControlsAirflow {
			kind = setpointFlow
		}
		l.number(kind, &slots.setpoint, value)
	}
	if closed, ok := f.Fresh(reading.HighSpeed, now); ok {
		l.flag(highSpeedContact, &slots.contact, closed != 0)
	}
	l.instant(readingAt, &slots.readingAt, f.LastGood)
	if !f.Polled.IsZero() { // before the first poll it is neither up nor down
		l.flag(fanUp, &slots.up, f.Up(now))
	}
	l.flag(fanInfo, &slots.info, true)
	current := int(f.ModeAt(now))
	for mode := range slots.modes {
		l.flag(fanMode, &slots.modes[mode], mode == current)
	}
	l.verdicts(&slots.verdicts, f.Verdicts)
}

func (l *layout) gateway(slots *gatewaySlots, g *export.Gateway, now time.Time) {
	l.flag(gatewayLent, &slots.lent, g.Lent)
	if !g.Last.IsZero() {
		l.flag(gatewayUp, &slots.up, g.Up(now))
	}
	l.count(cyclesMissed, &slots.missed, g.Missed)
	for outcome := range slots.polls {
		l.count(polls, &slots.polls[outcome], g.Polls[outcome])
	}
	slots.duration.fill(&g.Duration)
	l.add(pollDuration, &slots.duration.metric)
	l.verdicts(&slots.verdicts, g.Verdicts)
}

func (l *layout) add(in family, m *dto.Metric) {
	f := &l.families[in]
	f.Metric = append(f.Metric, m)
}

func (l *layout) number(in family, n *number, value float64) {
	n.value = value
	l.add(in, &n.metric)
}

// instant adds a time in seconds since 1970, unless it is not known.
func (l *layout) instant(in family, n *number, at time.Time) {
	if !at.IsZero() {
		l.number(in, n, float64(at.UnixMilli())/1000)
	}
}

func (l *layout) count(in family, c *counter, value uint64) {
	c.value = float64(value)
	l.add(in, &c.metric)
}

func (l *layout) flag(in family, m *dto.Metric, on bool) {
	m.Gauge = l.zero
	if on {
		m.Gauge = l.one
	}
	l.add(in, m)
}
