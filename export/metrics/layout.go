package metrics

import (
	"runtime"

	dto "github.com/prometheus/client_model/go"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// layout is every message that the metrics of one fleet can need. The lists of
// the families have room for all of them, so that filling allocates nothing.
type layout struct {
	fleet    *config.Fleet
	families [familyCount]dto.MetricFamily
	shown    []*dto.MetricFamily // those that are not empty

	// Most series are 0 or 1, and all of those share these two messages.
	zero, one *dto.Gauge

	fans       []fanSlots // nil until they are asked for as messages, which they are seldom
	texts      *texts     // of the fans; nil until they are asked for as text
	gateways   []gatewaySlots
	build      dto.Metric
	reload     dto.Metric
	reloadedAt number
	delay      durationSlot
	alarms     alarmSlots

	// Labels that are the same for all.
	severities [condition.Page + 1]*dto.LabelPair
	modes      [condition.Modes]*dto.LabelPair
	outcomes   [reading.Outcomes]*dto.LabelPair
	conditions map[condition.Name]*dto.LabelPair
}

// number is a gauge with a value of its own.
type number struct {
	metric dto.Metric
	gauge  dto.Gauge
	value  float64
}

// counter is a counter with a value of its own.
type counter struct {
	metric  dto.Metric
	counter dto.Counter
	value   float64
}

type fanSlots struct {
	pressure, airflow, setpoint, speed, readingAt number
	contact, up, info                             dto.Metric
	modes                                         [condition.Modes]dto.Metric
	verdicts                                      verdictSlots
}

type gatewaySlots struct {
	lent, up dto.Metric
	missed   counter
	polls    [reading.Outcomes]counter
	duration durationSlot
	verdicts verdictSlots
}

// newLayout lays out a fleet.
func newLayout(s *export.Snapshot) *layout {
	fleet := s.Fleet
	nothing, all := 0.0, 1.0
	l := &layout{fleet: fleet, zero: &dto.Gauge{Value: &nothing}, one: &dto.Gauge{Value: &all},
		gateways:   make([]gatewaySlots, len(fleet.Gateways)),
		shown:      make([]*dto.MetricFamily, 0, familyCount),
		conditions: make(map[condition.Name]*dto.LabelPair),
	}
	l.common()
	buildings := make(map[*config.Building]*dto.LabelPair, len(fleet.Buildings))
	for _, b := range fleet.Buildings {
		buildings[b] = pair("building", string(b.ID))
	}
	for i, g := range fleet.Gateways {
		l.gateways[i].lay(l, buildings[g.Building], pair("gateway", string(g.ID)))
	}
	l.build.Label = sorted(pair("version", s.Version), pair("goversion", runtime.Version()))
	l.reloadedAt.lay(nil)
	l.alarms.lay(l)
	l.delay.lay(nil)
	l.room()
	return l
}

// layFans lays out the fans, unless that was done.
func (l *layout) layFans() {
	if l.fans != nil || len(l.fleet.Fans) == 0 {
		return
	}
	l.fans = make([]fanSlots, len(l.fleet.Fans))
	buildings := make(map[*config.Building]*dto.LabelPair, len(l.fleet.Buildings))
	gateways := make(map[*config.Gateway]*dto.LabelPair, len(l.fleet.Gateways))
	for i, f := range l.fleet.Fans {
		if buildings[f.Building] == nil {
			buildings[f.Building] = pair("building", string(f.Building.ID))
		}
		if gateways[f.Gateway] == nil {
			gateways[f.Gateway] = pair("gateway", string(f.Gateway.ID))
		}
		l.fans[i].lay(l, f, buildings[f.Building], gateways[f.Gateway])
	}
	l.room()
}

// common makes the labels that are the same for all.
func (l *layout) common() {
	for severity := range l.severities {
		l.severities[severity] = pair("severity", condition.Severity(severity).String())
	}
	for mode := range l.modes {
		l.modes[mode] = pair("mode", condition.Mode(mode).String())
	}
	for outcome := range l.outcomes {
		l.outcomes[outcome] = pair("outcome", reading.Outcome(outcome).String())
	}
	for _, d := range condition.Catalogue() {
		l.conditions[d.Name] = pair("condition", string(d.Name))
	}
}

// room names the families and gives each a list that holds all that it can.
func (l *layout) room() {
	fans, gateways := len(l.fans), len(l.gateways)
	for i := range l.families {
		f, what := &l.families[i], &families[i]
		size := fans
		switch family(i) {
		case pollDelay:
			size = 1
		case fanMode:
			size = fans * condition.Modes
		case alarms, alarmsRaised:
			size = int(condition.Page+1) * len(alarm.States{})
		case alarmsFrequent:
			size = alarm.MostFrequent
		case alarmsRecent:
			size = len(alarmSlots{}.recent)
		case polls:
			size = gateways * reading.Outcomes
		case gatewayLent, gatewayUp, pollDuration, cyclesMissed:
			size = gateways
		}
		f.Name, f.Help, f.Type = &what.name, &what.help, &what.kind
		f.Metric = make([]*dto.Metric, 0, size)
	}
}

func (s *fanSlots) lay(l *layout, f *config.Fan, building, gateway *dto.LabelPair) {
	fan := pair("fan", string(f.ID))
	own := []*dto.LabelPair{building, fan}
	for _, n := range []*number{&s.pressure, &s.airflow, &s.setpoint, &s.speed, &s.readingAt} {
		n.lay(own)
	}
	s.contact.Label, s.up.Label = own, own
	s.info.Label = sorted(append(described(f), own...)...)
	for mode := range s.modes {
		s.modes[mode].Label = []*dto.LabelPair{building, fan, l.modes[mode]}
	}
	s.verdicts = verdictSlots{building: building, fan: fan, gateway: gateway}
}

func (s *gatewaySlots) lay(l *layout, building, gateway *dto.LabelPair) {
	own := []*dto.LabelPair{building, gateway}
	s.lent.Label, s.up.Label = own, own
	s.missed.lay(own)
	for outcome := range s.polls {
		s.polls[outcome].lay([]*dto.LabelPair{building, gateway, l.outcomes[outcome]})
	}
	s.duration.lay(own)
	s.verdicts = verdictSlots{building: building, gateway: gateway}
}

func (n *number) lay(labels []*dto.LabelPair) {
	n.gauge.Value, n.metric.Gauge, n.metric.Label = &n.value, &n.gauge, labels
}

func (c *counter) lay(labels []*dto.LabelPair) {
	c.counter.Value, c.metric.Counter, c.metric.Label = &c.value, &c.counter, labels
}
