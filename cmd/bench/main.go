package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := command(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// command runs one command line and returns the exit status: 0 all well, 1 an
// aim was missed, 2 it could not run.
func command(ctx context.Context, args []string, in io.Reader, out, diagnostics io.Writer) int {
	do := tableCommand
	if len(args) > 0 {
		if other := commands()[args[0]]; other != nil {
			do, args = other, args[1:]
		}
	}
	err := do(ctx, args, in, out, diagnostics)
	switch {
	case errors.Is(err, errMissed):
		fmt.Fprintln(diagnostics, "bench:", err)
		return 1
	case err != nil && !errors.Is(err, flag.ErrHelp):
		fmt.Fprintln(diagnostics, "bench:", err)
		return 2
	}
	return 0
}

// errMissed is an aim that was not come to.
var errMissed = errors.New("an aim was missed")

// commands lists what the program does beside its table. The last ones are the
// processes that it starts of itself.
func commands() map[string]func(context.Context, []string, io.Reader, io.Writer, io.Writer) error {
	return map[string]func(context.Context, []string, io.Reader, io.Writer, io.Writer) error{
		"scale":  scaleCommand,
		"growth": growthCommand,
		"answer": answerCommand,
		"doze":   dozeCommand,
		"line":   lineCommand,
		"poll":   pollCommand,
	}
}

// bench is what all contests of one run share.
type bench struct {
	folder  string // for what is made on the way
	tiny    bool   // everything as small as it can be
	undo    []func()
	tell    io.Writer
	program string // fanwarden, once it is built
}

// after has something done when the contest is over.
func (b *bench) after(step func()) { b.undo = append(b.undo, step) }

func (b *bench) close() {
	for len(b.undo) > 0 {
		last := len(b.undo) - 1
		step := b.undo[last]
		b.undo = b.undo[:last]
		step()
	}
}

// sized returns a size, or the tiny one.
func sized[T any](b *bench, usual, tiny T) T {
	if b.tiny {
		return tiny
	}
	return usual
}

// tableCommand measures rows and prints them.
func tableCommand(ctx context.Context, args []string, _ io.Reader, out, diagnostics io.Writer) error {
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	rows := flags.String("rows", "", "only these contests, with commas between: "+strings.Join(names(), ", "))
	runs := flags.Int("runs", 5, "how often each side runs")
	tiny := flags.Bool("tiny", false, "everything as small as it can be: to see that it runs, not how fast")
	asJSON := flags.Bool("json", false, "print JSON")
	if err := flags.Parse(args); err != nil {
		return err
	}
	chosen, err := choose(*rows)
	if err != nil || *runs < 1 || flags.NArg() > 0 {
		return errors.Join(err, fmt.Errorf("usage: bench [--rows LIST] [--runs N] [--tiny] [--json]; N is 1 or more"))
	}
	all, err := measure(ctx, chosen, *runs, *tiny, diagnostics)
	if *asJSON && err == nil {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		return errors.Join(encoder.Encode(all), missed(all, *tiny))
	}
	if len(all) > 0 && !*asJSON {
		printRows(out, all)
	}
	if err != nil {
		return err
	}
	return missed(all, *tiny)
}

// missed is the error of rows that miss their aims; tiny ones have none.
func missed(rows []row, tiny bool) error {
	if !tiny && slices.ContainsFunc(rows, func(r row) bool { return r.Met != nil && !*r.Met }) {
		return errMissed
	}
	return nil
}

// choose returns the contests that a list names; all where it is empty.
func choose(list string) ([]contest, error) {
	if list == "" {
		return contests(), nil
	}
	var chosen []contest
	for _, name := range strings.Split(list, ",") {
		i := slices.IndexFunc(contests(), func(c contest) bool { return c.name == name })
		if i < 0 {
			return nil, fmt.Errorf("there is no row %q; there are %s", name, strings.Join(names(), ", "))
		}
		chosen = append(chosen, contests()[i])
	}
	return chosen, nil
}

// names lists the contests.
func names() []string {
	var all []string
	for _, c := range contests() {
		all = append(all, c.name)
	}
	return all
}

// measure runs contests one after the other. It returns the rows that there are
// when it cannot go on.
func measure(ctx context.Context, chosen []contest, runs int, tiny bool, diagnostics io.Writer) ([]row, error) {
	folder, err := os.MkdirTemp("", "bench")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	b := &bench{folder: folder, tiny: tiny, tell: diagnostics}
	defer b.close()
	var all []row
	for i := range chosen {
		c := &chosen[i]
		fmt.Fprintln(diagnostics, "measuring", c.name)
		rows, err := b.hold(ctx, c, runs)
		if err != nil {
			return all, fmt.Errorf("%s: %w", c.name, err)
		}
		all = append(all, rows...)
	}
	return all, nil
}

// hold holds one contest, and puts away what it had set up.
func (b *bench) hold(ctx context.Context, c *contest, runs int) ([]row, error) {
	defer b.close()
	ours, theirs, err := c.prepare(ctx, b)
	if err != nil {
		return nil, err
	}
	return c.run(ctx, ours, theirs, runs)
}

// contests lists them in the order of the table.
func contests() []contest {
	var all []contest
	for _, gateways := range []int{1, 16, 128} {
		all = append(all, pollContest(gateways))
	}
	for _, baud := range []int{9600, 19200, 115200} {
		all = append(all, serialContest(baud))
	}
	return append(all, engineContest(), replayContest(), scrapeContest(), historyContest())
}
