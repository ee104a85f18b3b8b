package turnover

import (
	"fmt"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// repeats finds the gateways that give old values again and again: two fans or
// more run behind it, and no word of any of them changed while it was looked at.
func repeats(traces []*trace, proven []Fan) {
	behind := make(map[*config.Gateway][]int)
	for i, t := range traces {
		behind[t.fan.Gateway] = append(behind[t.fan.Gateway], i)
	}
	for gateway, members := range behind {
		running, short := 0, false
		still := true
		for _, i := range members {
			t := traces[i]
			short = short || len(t.looks) < stillLooks || t.lasted() < stillFor
			if len(t.looks) > 0 && t.running(len(t.looks)-1) {
				running++
			}
			still = still && !t.changed()
		}
		if !still || short || running < 2 {
			continue
		}
		for _, i := range members {
			proven[i].Doubt = fmt.Sprintf("is read through gateway %s, which repeats old values", gateway.ID)
			for at := range proven[i].Proofs {
				p := &proven[i].Proofs[at]
				if moving(p.Place.Point) && p.Answered > 0 {
					p.Verdict = Fail
					p.Reason = fmt.Sprintf("gateway %s repeats old values: nothing behind it moved in %s though %d fans run", gateway.ID, units.Span(traces[i].lasted()), running)
				}
			}
		}
	}
}

// moving reports whether a point of a running fan moves by itself.
func moving(p reading.Point) bool {
	switch p {
	case reading.Pressure, reading.Airflow, reading.VelocityPressure, reading.Speed, reading.RPM, reading.Power:
		return true
	}
	return false
}

// changed reports whether any word of the fan did.
func (t *trace) changed() bool {
	for k := 1; k < len(t.looks); k++ {
		for at := range t.points {
			if before, now := t.looks[k-1].Answers[at].Words, t.looks[k].Answers[at].Words; before != nil && now != nil && !slices.Equal(before, now) {
				return true
			}
		}
	}
	return false
}
