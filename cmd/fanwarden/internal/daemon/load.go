package daemon

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/units"
)

// Load reads a fleet file as the daemon takes it: good as a whole, and every
// cycle of every gateway fits into its period. The error is that of a file
// that cannot be read; where there are faults the fleet is nil.
func Load(path string) (*config.Fleet, []config.Fault, error) {
	fleet, faults, err := config.Load(path)
	if err != nil || len(faults) > 0 {
		return nil, faults, err
	}
	for _, gateway := range fleet.Gateways {
		if fault, found := tooSlow(poller.PlanGateway(gateway, fleet.Fans)); found {
			faults = append(faults, fault)
		}
	}
	if len(faults) > 0 {
		slices.SortFunc(faults, func(a, b config.Fault) int {
			return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
		})
		return nil, faults, nil
	}
	return fleet, nil, nil
}

// tooSlow finds a serial line on which a cycle takes longer than its period,
// however quick the devices are.
func tooSlow(plan *poller.Plan) (config.Fault, bool) {
	gateway := plan.Gateway
	floor := plan.Floor(gateway.SerialBaud())
	if floor <= gateway.PollEvery {
		return config.Fault{}, false
	}
	file, line := gateway.Place()
	return config.Fault{File: file, Line: line,
		What: fmt.Sprintf("gateway %q cannot be read every %s: its line at %d baud needs at least %s for the %d requests of a cycle",
			gateway.ID, gateway.PollEvery, gateway.SerialBaud(), floor.Round(time.Millisecond), len(plan.Requests)),
		Remedy: fmt.Sprintf("set its poll_every to %s or more, raise the line's speed, or read fewer points",
			units.Span(roomy(floor)))}, true
}

// roomy returns a period that leaves a line some air: half as much again, in
// whole seconds.
func roomy(floor time.Duration) time.Duration {
	return (floor + floor/2).Truncate(time.Second) + time.Second
}
