package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"fanwarden/cmd/fanwarden/internal/campus"
	"fanwarden/poller/units"
)

// mostShown is how many troubles are listed in full; on a large campus they
// repeat themselves.
const mostShown = 12

// printGuide tells a newcomer where to look and what to look for.
func printGuide(w io.Writer, d *demonstration) {
	c, page := d.campus, d.page()
	fmt.Fprintf(w, "\n%s: %s in %s, all invented. The last %s were simulated and judged; from here on it\n"+
		"runs in real time, and the daemon polls it over loopback.\n\n", c.Name, count(c.Fans(), "fan"),
		count(len(c.Buildings), "building"), units.Span(d.past))
	fmt.Fprintf(w, "  the fleet, worst first     %s/\n", page)
	fmt.Fprintf(w, "  for Prometheus             %s/metrics\n", page)
	fmt.Fprintf(w, "  the same as JSON           %s/api/v1/fleet\n\n", page)
	fmt.Fprintln(w, "What is wrong on the campus, and what there is to see of it:")
	for i, t := range c.Troubles {
		if i == mostShown {
			fmt.Fprintf(w, "\n  and %d more of the same kinds\n", len(c.Troubles)-i)
			break
		}
		printTrouble(w, t)
	}
	fmt.Fprint(w, "\nEverything else is healthy, though some of it looks ill: fans at rest while nobody needs them, fans at their\n"+
		"top for a while when everybody does.\n")
	printTraining(w, c.Healthy(), d.training)
	fmt.Fprint(w, "\nCtrl-C ends all of it; nothing stays behind.\n")
}

func printTrouble(w io.Writer, t campus.Trouble) {
	fmt.Fprintf(w, "\n  %-18s %-18s %s\n", string(t.Fault.Fan)+string(t.Fault.Gateway), t.Condition, t.Name)
	fmt.Fprintf(w, "  %-18s %-18s %s\n", "", "", t.Wrong)
	fmt.Fprintf(w, "  %-18s %-18s see: %s\n", "", "", t.See)
}

// printTraining tells how a fan is given a trouble while everything runs.
func printTraining(w io.Writer, healthy campus.Fan, training string) {
	fmt.Fprintf(w, "\nFor training, put a trouble on a fan yourself, at the simulator's own port, and see what becomes of it:\n\n"+
		"  curl %s/faults -H 'Content-Type: application/json' \\\n"+
		"       -d '{\"fan\": \"%s\", \"kind\": \"tubes_swapped\", \"for\": \"30m\"}'\n\n"+
		"A condition shows once it has stood as long as it has to in service, minutes and not seconds.\n"+
		"`curl %s` tells the rest.\n", training, healthy.ID, training)
}

// progress tells how far a long preparation is: on a terminal on one line that
// is written over, elsewhere with a line every few seconds.
type progress struct {
	w        io.Writer
	what     string
	terminal bool
	begun    time.Time
	next     time.Time
	now      func() time.Time
}

// How often progress is told.
const (
	everyOnTerminal = 200 * time.Millisecond
	everyElsewhere  = 3 * time.Second
)

func newProgress(w io.Writer, what string, now func() time.Time) *progress {
	return &progress{w: w, what: what, terminal: isTerminal(w), begun: now(), now: now}
}

// tell is called as often as one likes with the share that is done.
func (p *progress) tell(done float64) {
	now := p.now()
	if now.Before(p.next) {
		return
	}
	percent := int(min(done, 1) * 100)
	if p.terminal {
		const width = 30
		filled := width * percent / 100
		fmt.Fprintf(p.w, "\r%s [%s%s] %3d %%", p.what, strings.Repeat("=", filled), strings.Repeat(" ", width-filled), percent)
		p.next = now.Add(everyOnTerminal)
		return
	}
	fmt.Fprintf(p.w, "%s: %d %%\n", p.what, percent)
	p.next = now.Add(everyElsewhere)
}

// end tells that it is over.
func (p *progress) end() {
	took := p.now().Sub(p.begun).Round(100 * time.Millisecond)
	if p.terminal {
		fmt.Fprintf(p.w, "\r%s: done in %s%s\n", p.what, took, strings.Repeat(" ", 40))
		return
	}
	fmt.Fprintf(p.w, "%s: done in %s\n", p.what, took)
}

// isTerminal reports whether somebody watches a line being written over.
func isTerminal(w io.Writer) bool {
	f, isFile := w.(*os.File)
	if !isFile {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
