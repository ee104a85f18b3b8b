package daemon

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/units"
)

// Load reads a fleet file as the daemon takes it: good as a whole, and every
// cycle of every gateway fits into its period. The error is that of a file
// that cannot be read; where there are faults the fleet is nil.
func Load(path string) (*config.Fleet, []config.Fault, error) {
	return config.Load(path, fits)
}

// fits finds a serial line on which a cycle takes longer than its period,
// however quick the devices are.
func fits(gateway *config.Gateway, fans []*config.Fan) []config.Fault {
	if gateway.BACnet() {
		return nil
	}
	plan := poller.PlanGateway(gateway, fans)
	floor := plan.Floor(gateway.SerialBaud())
	if floor <= gateway.PollEvery {
		return nil
	}
	file, line := gateway.Place()
	return []config.Fault{{File: file, Line: line,
		What: fmt.Sprintf("gateway %q cannot be read every %s: its line at %d baud needs at least %s for a cycle (requests: %d)",
			gateway.ID, gateway.PollEvery, gateway.SerialBaud(), floor.Round(time.Millisecond), len(plan.Requests)),
		Remedy: fmt.Sprintf("set its poll_every to %s or more, raise the line's speed, or read fewer points",
			units.Span(roomy(floor)))}}
}

// roomy returns a period that leaves a line some air: half as much again, in
// whole seconds.
func roomy(floor time.Duration) time.Duration {
	return (floor + floor/2).Truncate(time.Second) + time.Second
}
