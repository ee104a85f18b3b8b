package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"time"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
	"fanwarden/poller"
)

// check prints the faults of a fleet file; for a good one, how each gateway
// will be polled, and what the fans' settings will lead to.
func check(_ context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	path := fleetFlag(flags)
	if err := p.parse(flags, args, 0, "--config FILE", "config"); err != nil {
		return status(err)
	}
	fleet, faults, err := daemon.Load(*path)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden check:", err)
		return couldNotRun
	}
	if len(faults) > 0 {
		for _, fault := range faults {
			fmt.Fprintln(p.stdout, fault)
		}
		fmt.Fprintf(p.stdout, "\n%s; no daemon starts on this file.\n", count(len(faults), "fault"))
		return foundWrong
	}
	fmt.Fprintf(p.stdout, "%s: %s, %s, %s.\n\n", *path, count(len(fleet.Buildings), "building"),
		count(len(fleet.Gateways), "gateway"), count(len(fleet.Fans), "fan"))
	printPlans(p.stdout, fleet)
	left := warnOfForced(p.stderr, fleet)
	status := printAudit(p.stdout, config.Audit(fleet))
	if left {
		return foundWrong
	}
	return status
}

// printPlans tells how each gateway will be polled.
func printPlans(w io.Writer, fleet *config.Fleet) {
	fmt.Fprintln(w, "Poll plan")
	for _, gateway := range fleet.Gateways {
		if gateway.BACnet() {
			printObjects(w, gateway, fleet.Fans)
			continue
		}
		plan := poller.PlanGateway(gateway, fleet.Fans)
		fmt.Fprintf(w, "  %s  %s  %s every %s\n", gateway.ID, gateway.URL, count(len(plan.Fans), "fan"), gateway.PollEvery)
		if len(plan.Requests) == 0 {
			fmt.Fprintln(w, "    nothing to read")
			continue
		}
		fmt.Fprintf(w, "    %s a cycle%s\n", count(len(plan.Requests), "request"), sizes(plan))
		fmt.Fprintf(w, "    %s\n", lineShare(plan))
	}
	fmt.Fprintln(w)
}

// printObjects tells what is read through a BACnet gateway.
func printObjects(w io.Writer, gateway *config.Gateway, fans []*config.Fan) {
	of, properties, devices := 0, 0, make(map[int]bool)
	for _, fan := range fans {
		if fan.Gateway != gateway {
			continue
		}
		of++
		for _, p := range fan.Points {
			if !p.Point.Output() {
				properties++
				devices[p.Unit] = true
			}
		}
	}
	fmt.Fprintf(w, "  %s  %s  %s every %s\n", gateway.ID, gateway.URL, count(of, "fan"), gateway.PollEvery)
	if properties == 0 {
		fmt.Fprintln(w, "    nothing to read")
		return
	}
	fmt.Fprintf(w, "    %s of %s a cycle, all devices side by side\n", count(properties, "object"), count(len(devices), "device"))
}

// sizes tells how many registers and bits the requests of a plan read.
func sizes(plan *poller.Plan) string {
	var registers, bits span
	for i := range plan.Requests {
		if plan.Requests[i].Table.Bits() {
			bits.add(plan.Requests[i].Count)
		} else {
			registers.add(plan.Requests[i].Count)
		}
	}
	return registers.describe("register") + bits.describe("bit")
}

// span is the least, the most and the number of the sizes that were added.
type span struct{ low, high, n int }

func (s *span) add(size int) {
	if s.n == 0 || size < s.low {
		s.low = size
	}
	s.high = max(s.high, size)
	s.n++
}

func (s *span) describe(unit string) string {
	switch {
	case s.n == 0:
		return ""
	case s.low == s.high:
		return fmt.Sprintf("; %s of %s", count(s.n, "request"), count(s.low, unit))
	}
	return fmt.Sprintf("; %s of %d to %s", count(s.n, "request"), s.low, count(s.high, unit))
}

// lineShare tells how much of its period a gateway's serial line is busy.
func lineShare(plan *poller.Plan) string {
	baud := plan.Gateway.SerialBaud()
	if baud == 0 {
		return "no serial line given (line_baud): what a cycle takes depends on the gateway"
	}
	floor := plan.Floor(baud)
	return fmt.Sprintf("serial line at %d baud: a cycle takes at least %s, %.0f %% of the period", baud,
		floor.Round(time.Millisecond), 100*floor.Seconds()/plan.Gateway.PollEvery.Seconds())
}

// printAudit prints the warnings and returns the exit status they lead to.
func printAudit(w io.Writer, warnings []config.Warning) int {
	fmt.Fprintln(w, "Settings audit")
	if len(warnings) == 0 {
		fmt.Fprintln(w, "  nothing to warn of")
		return allWell
	}
	for _, warning := range warnings {
		fmt.Fprintln(w, warning)
	}
	fmt.Fprintf(w, "\n%s; a daemon starts on this file all the same.\n", count(len(warnings), "warning"))
	return foundWrong
}

// count writes a number of things.
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
