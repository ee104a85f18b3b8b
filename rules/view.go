package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// FanView returns what is known of a fan: its mode, a verdict for every
// enabled condition and the conditions that stand, silenced ones too. The
// slices are the caller's. A fan that is not in the fleet is of unknown mode.
func (e *Engine) FanView(id reading.FanID) (condition.Mode, []condition.Verdict, []condition.Standing) {
	f := e.fans[id]
	if f == nil {
		return condition.Unknown, nil, nil
	}
	verdicts := make([]condition.Verdict, 0, len(f.rules))
	var standing []condition.Standing
	for i := range f.rules {
		j := &f.rules[i]
		verdicts, standing = view(&j.life, f.severity(j.life.setting.Severity, time.Unix(0, f.last)), verdicts, standing)
	}
	return f.mode.now, verdicts, standing
}

// Mode returns what a fan does.
func (e *Engine) Mode(id reading.FanID) condition.Mode {
	if f := e.fans[id]; f != nil {
		return f.mode.now
	}
	return condition.Unknown
}

// GatewayView returns a verdict for every enabled condition of a gateway and
// those that stand. The slices are the caller's.
func (e *Engine) GatewayView(id reading.GatewayID) ([]condition.Verdict, []condition.Standing) {
	g := e.gateways[id]
	if g == nil {
		return nil, nil
	}
	verdicts := make([]condition.Verdict, 0, 2)
	var standing []condition.Standing
	for _, rule := range g.rules() {
		verdicts, standing = view(&rule.life, rule.life.setting.Severity, verdicts, standing)
	}
	return verdicts, standing
}

// Repeats reports whether a gateway has been found to repeat what it once read:
// then the values that come through it are old, whatever their time says.
func (e *Engine) Repeats(id reading.GatewayID) bool {
	g := e.gateways[id]
	return g != nil && g.active(condition.DataNotMoving)
}

func view(l *life, severity condition.Severity, verdicts []condition.Verdict,
	standing []condition.Standing) ([]condition.Verdict, []condition.Standing) {
	if l.setting.Enabled {
		verdicts = append(verdicts, l.verdict(severity))
	}
	if l.stands {
		standing = append(standing, l.standing())
	}
	return verdicts, standing
}
