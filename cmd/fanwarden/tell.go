package main

import (
	"context"
	"flag"
	"fmt"
	"strings"

	"fanwarden/config"
	"fanwarden/export/notify"
)

// tell tries the ways out of a fleet file: each is sent a message that says that
// nothing is wrong.
func tell(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("tell", flag.ContinueOnError)
	path := fleetFlag(flags)
	id := flags.String("way", "", "only the way with this `ID`")
	if err := p.parse(flags, args, 0, "--config FILE [--way ID]", "config"); err != nil {
		return status(err)
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	ways, err := findWays(fleet, *id)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden tell:", err)
		return couldNotRun
	}
	result := allWell
	for _, w := range ways {
		said := "taken"
		if err := notify.Try(ctx, fleet, w, version); err != nil {
			said, result = "not taken: "+err.Error(), foundWrong
		}
		fmt.Fprintf(p.stdout, "%-12s %s: %s\n", w.ID, receiver(w), said)
	}
	return result
}

func findWays(fleet *config.Fleet, id string) ([]*config.Way, error) {
	ways := fleet.Notify.Ways
	if len(ways) == 0 {
		return nil, fmt.Errorf("%s has no [[notify.ways]]; nobody is told anything but by what scrapes /metrics", fleet.Path)
	}
	if id == "" {
		return ways, nil
	}
	ids := make([]string, len(ways))
	for i, w := range ways {
		if ids[i] = w.ID; w.ID == id {
			return ways[i : i+1], nil
		}
	}
	return nil, fmt.Errorf("%s has no way %q; %s", fleet.Path, id, config.Meant(id, ids))
}

// receiver names who is at the end of a way. The url of a webhook may hold a
// secret, so only its host is shown.
func receiver(w *config.Way) string {
	if w.Mail != nil {
		return "mail to " + strings.Join(w.Mail.To, ", ")
	}
	return "webhook at " + w.Host()
}
