package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

const pointsUsage = "--config FILE --fan ID [--all] [--watch [--every 2s]]\n" +
	"       fanwarden points --config FILE --fan ID | --gateway ID --unit N  --guess [--table input] [--from 0] [--count 64] [--for 30s] [--name guessed]\n" +
	"       fanwarden points --config FILE --gateway ID | --url bacnet://HOST[:47808]  --discover [--unit N] [--wait 5s]"

// points reads every point of one fan, on Modbus each by a request of its own, so
// that a point that the device refuses is told from its neighbours.
func points(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("points", flag.ContinueOnError)
	path := fleetFlag(flags)
	id := flags.String("fan", "", "the `ID` of the fan")
	all := flags.Bool("all", false, "show every other way to read the words, also those that give what cannot be")
	watch := flags.Bool("watch", false, "look again and again until ctrl-C: the table anew on a terminal, else a line for each point that changed")
	every := flags.Duration("every", 2*time.Second, "with --watch: the time from one look to the next")
	guess := flags.Bool("guess", false, "read a range of addresses several times and propose a point map, with reasons")
	wish := &guessWish{}
	wish.flags(flags)
	search := &search{}
	search.flags(flags)
	if err := p.parse(flags, args, 0, pointsUsage); err != nil {
		return status(err)
	}
	if search.wanted {
		return search.run(ctx, p, *path, wish.gateway, wish.unit)
	}
	if *path == "" {
		fmt.Fprintln(p.stderr, "fanwarden points: --config is missing")
		flags.Usage()
		return couldNotRun
	}
	if !*guess && *id == "" {
		fmt.Fprintln(p.stderr, "fanwarden points: --fan is missing")
		flags.Usage()
		return couldNotRun
	}
	if *every <= 0 {
		fmt.Fprintln(p.stderr, "fanwarden points: --every must be above zero, as in --every 2s")
		return couldNotRun
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	warnOfForced(p.stderr, fleet)
	if *guess {
		return wish.guess(ctx, p, fleet, reading.FanID(*id))
	}
	fan, err := findFan(fleet, reading.FanID(*id))
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return couldNotRun
	}
	loan, err := borrow(fleet, []*config.Gateway{fan.Gateway}, p.stderr)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return couldNotRun
	}
	defer loan.close()
	line := visiting(fan.Gateway, p.stderr)
	defer line.Close()
	t := &pointTable{fan: fan, units: fleet.Units, line: line, all: *all, ways: *all || !*watch}
	if *watch {
		return t.watch(ctx, p, *every)
	}
	return t.print(ctx, p.stdout, p.stderr)
}

func findFan(fleet *config.Fleet, id reading.FanID) (*config.Fan, error) {
	for _, fan := range fleet.Fans {
		if fan.ID == id {
			return fan, nil
		}
	}
	ids := make([]string, len(fleet.Fans))
	for i, fan := range fleet.Fans {
		ids[i] = string(fan.ID)
	}
	return nil, fmt.Errorf("%s has no fan %q; %s", fleet.Path, id, config.Meant(string(id), ids))
}

// pointTable shows the points of one fan.
type pointTable struct {
	fan   *config.Fan
	units units.System
	line  *visit.Visit
	all   bool // every way to read the words
	ways  bool // other ways than the point map's, too
}

// asked are the fan's points in the order in which they are asked: first how old
// the rest is, where the gateway says so.
func (t *pointTable) asked() []config.PlacedPoint {
	asked := turnover.Points(t.fan)
	for _, own := range t.fan.Gateway.Points {
		if _, has := t.fan.Placed(own.Point); !has {
			asked = append(asked, own)
		}
	}
	slices.SortStableFunc(asked, func(a, b config.PlacedPoint) int { return first(a) - first(b) })
	return asked
}

func first(p config.PlacedPoint) int {
	if p.Point == reading.HeardAgo {
		return 0
	}
	return 1
}

// print looks once, shows each point as soon as it was asked, and returns the exit
// status.
func (t *pointTable) print(ctx context.Context, stdout, stderr io.Writer) int {
	t.heading(stdout)
	if err := t.line.Open(ctx); err != nil {
		fmt.Fprintf(stderr, "fanwarden points: gateway %s: %v; nothing was read\n", t.fan.Gateway.ID, err)
		return foundWrong
	}
	t.columns(stdout)
	seen := &sight{table: t}
	for point, answer := range t.line.AskEach(ctx, t.asked(), t.ways) {
		row := seen.take(point, answer)
		row.write(stdout)
		if t.ways {
			seen.others(stdout, row)
		}
		if row.answer.Failure != nil && !t.line.Connected() && ctx.Err() != nil {
			break
		}
	}
	says, status := seen.conclude()
	fmt.Fprint(stdout, says)
	return status
}

func (t *pointTable) heading(w io.Writer) {
	fmt.Fprintf(w, "%s (%s) through gateway %s, %s, %s\n\n", t.fan.Name, t.fan.ID, t.fan.Gateway.ID, t.fan.Gateway.URL,
		time.Now().Format(time.RFC3339))
}

// watch looks until it is interrupted, and returns the status of the last whole look.
func (t *pointTable) watch(ctx context.Context, p *process, every time.Duration) int {
	screen, redraw := p.stdout.(*os.File)
	redraw = redraw && term.IsTerminal(int(screen.Fd()))
	var before *sight
	status := foundWrong
	for next := time.Now(); visit.Wait(ctx, time.Until(next)) == nil; next = latest(next.Add(every), time.Now()) {
		seen := &sight{table: t}
		for point, answer := range t.line.AskEach(ctx, t.asked(), t.ways) {
			seen.take(point, answer)
		}
		if ctx.Err() != nil {
			break
		}
		_, status = seen.conclude()
		switch {
		case redraw:
			// Home, the table, each line cleared to its end, and nothing below it.
			fmt.Fprint(p.stdout, "\x1b[H"+strings.ReplaceAll(seen.whole(), "\n", "\x1b[K\n")+"\x1b[J")
		case before == nil:
			fmt.Fprint(p.stdout, seen.whole())
		default:
			seen.changes(p.stdout, before)
		}
		before = seen
	}
	return status
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
