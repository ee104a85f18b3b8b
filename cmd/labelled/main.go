package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules/condition"
)

const usage = `usage: labelled write --dir DIR [--seed N] [--hours N] [--fans N] [--weeks N] [--poll 5m]
       labelled score [--seeds N] [--seed N] [--hours N] [--fans N] [--weeks N] [--poll 5m] [--rules LIST] [--cases] [--baseline-cases]
`

func main() { os.Exit(command(os.Args[1:], os.Stdout, os.Stderr)) }

// command runs one of the two commands and returns the exit status: 0 when it
// ran, 2 when it could not.
func command(args []string, out, diagnostics io.Writer) int {
	do := map[string]func([]string, io.Writer, io.Writer) error{"write": write, "score": scoreCommand}
	if len(args) == 0 || do[args[0]] == nil {
		fmt.Fprint(diagnostics, usage)
		return 2
	}
	if err := do[args[0]](args[1:], out, diagnostics); err != nil {
		if !errors.Is(err, flag.ErrHelp) {
			fmt.Fprintf(diagnostics, "labelled %s: %v\n", args[0], err)
		}
		return 2
	}
	return 0
}

// common adds the flags that say what a run is.
func common(flags *flag.FlagSet, s *settings) {
	flags.IntVar(&s.hours, "hours", 30, "how many `hours` a run lasts")
	flags.IntVar(&s.weeks, "weeks", 0, "runs of `weeks` instead, of few fans, for what comes slowly")
	flags.DurationVar(&s.poll, "poll", 5*time.Minute, "how often fans are polled in runs of weeks")
	flags.IntVar(&s.fans, "fans", 10, "how many plain healthy `fans` a run has beside the labelled ones")
}

// check parses flags and finds what cannot be.
func check(flags *flag.FlagSet, args []string, s *settings) error {
	if err := flags.Parse(args); err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("%q is not expected", flags.Arg(0))
	}
	if s.weeks < 0 || s.weeks > 52 || s.poll < tick || s.poll > time.Hour || s.poll%tick != 0 {
		return errors.New("runs of weeks have up to 52, and polls every 5s to 1h, by steps of 5s")
	}
	if s.weeks > 0 {
		s.hours = s.weeks * 7 * 24
	}
	if s.hours < 1 || s.fans < 0 || s.fans > 1000 {
		return errors.New("a run lasts an hour or more and has up to 1000 plain fans")
	}
	return nil
}

// write writes one run: fleet.toml, readings.csv and truth.csv.
func write(args []string, out, diagnostics io.Writer) error {
	var s settings
	flags := flag.NewFlagSet("write", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	dir := flags.String("dir", "", "the `folder` to write to; it is made")
	flags.Uint64Var(&s.seed, "seed", 1, "the `seed` of the run")
	common(flags, &s)
	if err := check(flags, args, &s); err != nil {
		return err
	}
	if *dir == "" {
		return errors.New("say where to write, as in --dir /tmp/labelled")
	}
	c, err := newCampus(s)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(*dir, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(*dir, "fleet.toml"), []byte(c.text), 0o644); err != nil {
		return err
	}
	rows := 0
	err = inFile(filepath.Join(*dir, "readings.csv"), func(w io.Writer) error {
		readings := recording.NewWriter(w)
		return c.run(func(r *reading.Reading) error {
			rows++
			return readings.Write(r, c.flows[r.Fan])
		})
	})
	if err != nil {
		return err
	}
	err = inFile(filepath.Join(*dir, "truth.csv"), func(w io.Writer) error { return writeTruth(w, c.labels) })
	if err == nil {
		fmt.Fprintf(out, "%d readings of %d fans over %d h, and the truth about them, in %s\n", rows, len(c.fleet.Fans), s.hours, *dir)
	}
	return err
}

// inFile lets something write to a new file through a buffer.
func inFile(path string, do func(io.Writer) error) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(file, 1<<16)
	return errors.Join(do(w), w.Flush(), file.Close())
}

// scoreCommand scores the rules on many runs and prints the table.
func scoreCommand(args []string, out, diagnostics io.Writer) error {
	var s settings
	flags := flag.NewFlagSet("score", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	seeds := flags.Int("seeds", 20, "how many `runs`, of the seeds from --seed on")
	flags.Uint64Var(&s.seed, "seed", 1, "the first `seed`")
	chosen := flags.String("rules", "", "only these `conditions`, with commas between")
	cases := flags.Bool("cases", false, "also list every miss, late finding, false alarm and second condition")
	plain := flags.Bool("baseline-cases", false, "the same of the baseline")
	workers := flags.Int("workers", 2, "how many runs at a time")
	common(flags, &s)
	if err := check(flags, args, &s); err != nil {
		return err
	}
	if *seeds < 1 || *workers < 1 {
		return errors.New("--seeds and --workers are 1 or more")
	}
	only, err := names(*chosen)
	if err != nil {
		return err
	}
	total, err := scoreAll(*seeds, *workers, s, only)
	if err != nil {
		return err
	}
	if *cases {
		list(out, total.rules)
	}
	if *plain {
		list(out, total.plain)
	}
	return total.print(out)
}

// list writes what one judge did wrong.
func list(out io.Writer, judge *score) {
	for _, line := range judge.cases {
		fmt.Fprintln(out, line)
	}
	fmt.Fprintln(out)
}

// names parses a list of conditions.
func names(list string) ([]condition.Name, error) {
	if list == "" {
		return nil, nil
	}
	var all []condition.Name
	for _, name := range strings.Split(list, ",") {
		d, ok := condition.Find(condition.Name(strings.TrimSpace(name)))
		if !ok {
			return nil, fmt.Errorf("there is no condition %q", name)
		}
		all = append(all, d.Name)
	}
	return all, nil
}
