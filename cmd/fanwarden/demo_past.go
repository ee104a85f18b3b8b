package main

import (
	"context"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// The past of a demo: two days, as long as that takes seconds. A campus that is
// larger than fullFans gets as much less as it takes to prepare it in the same
// time, and at least what every rule needs to come to its verdict.
const (
	longestPast  = 48 * time.Hour
	shortestPast = 2 * time.Hour
	fullFans     = 100
)

// pastOf returns how much of the past a campus of that many fans is given.
func pastOf(fans int) time.Duration {
	past := longestPast * fullFans / time.Duration(max(fans, fullFans))
	return max(past.Truncate(time.Minute), shortestPast)
}

// layPast lets the field run from its beginning to the present and feeds what
// polls would have brought on the way, as often as the fleet is polled. Then the
// field stands at now, and its next readings are those of real polls.
func layPast(ctx context.Context, f *field.Field, now func() time.Time, feed func(*reading.Reading), tell func(done float64)) error {
	fleet, begun := f.Fleet(), f.Now()
	outages := outagesOf(f)
	var r reading.Reading
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		end := now()
		if left := end.Sub(f.Now()); left < fleet.PollEvery {
			f.Step(left)
			return nil
		}
		f.Step(fleet.PollEvery)
		for i, fan := range fleet.Fans {
			pollOf(f, fan, outages[i], &r)
			feed(&r)
		}
		tell(float64(f.Now().Sub(begun)) / float64(end.Sub(begun)))
	}
}

// pollOf makes r what a poll of a fan would bring now.
func pollOf(f *field.Field, fan *config.Fan, outages []outage, r *reading.Reading) {
	r.Clear()
	for _, o := range outages {
		if o.At(f.Now()) {
			r.Fan, r.Gateway, r.Time, r.Outcome = fan.ID, fan.Gateway.ID, f.Now(), o.outcome
			for _, p := range fan.Points {
				if !p.Point.Output() {
					r.Mark(p.Point, reading.Unanswered)
				}
			}
			return
		}
	}
	f.Reading(fan.ID, r)
}

// outage is a fault that keeps polls from being answered, and how they end.
type outage struct {
	field.Fault
	outcome reading.Outcome
}

// outagesOf returns the outages of every fan, in the fleet's order.
func outagesOf(f *field.Field) [][]outage {
	ofFan, ofGateway := make(map[reading.FanID][]field.Fault), make(map[reading.GatewayID][]field.Fault)
	for _, fault := range f.Faults() {
		if fault.Fan != "" {
			ofFan[fault.Fan] = append(ofFan[fault.Fan], fault)
		} else {
			ofGateway[fault.Gateway] = append(ofGateway[fault.Gateway], fault)
		}
	}
	all := make([][]outage, len(f.Fleet().Fans))
	for i, fan := range f.Fleet().Fans {
		for _, fault := range slices.Concat(ofGateway[fan.Gateway.ID], ofFan[fan.ID]) {
			if outcome := outcomeOf(fault.Kind, fan.Gateway); outcome != reading.OK {
				all[i] = append(all[i], outage{fault, outcome})
			}
		}
	}
	return all
}

// outcomeOf tells how a fault lets polls end. A gateway that speaks Modbus TCP
// says that its unit is silent (exception 0B: Modbus Application Protocol
// V1.1b3, section 7); one that only carries a serial line over a network says
// nothing, and neither does a network of BACnet devices, where no connection is
// refused either.
func outcomeOf(kind field.Kind, gateway *config.Gateway) reading.Outcome {
	switch {
	case kind == field.GatewayOff && !gateway.BACnet():
		return reading.Refused
	case kind != field.GatewayOff && kind != field.TrunkCut && kind != field.SilentUnit:
		return reading.OK
	case gateway.Scheme == "rtuovertcp", gateway.BACnet():
		return reading.Timeout
	}
	return reading.UnitSilent
}
