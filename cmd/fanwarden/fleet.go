package main

import (
	"flag"
	"fmt"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
)

// fleetFlag adds the flag that every command has.
func fleetFlag(flags *flag.FlagSet) *string {
	return flags.String("config", "", "the fleet `FILE`")
}

// loadFleet reads the fleet file of a command that needs a good one. Its
// faults go to standard error.
func (p *process) loadFleet(path string) (*config.Fleet, bool) {
	fleet, faults, err := daemon.Load(path)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden:", err)
		return nil, false
	}
	for _, fault := range faults {
		fmt.Fprintln(p.stderr, fault)
	}
	return fleet, len(faults) == 0
}
