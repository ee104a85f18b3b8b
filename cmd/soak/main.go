package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/signal"
	"syscall"
	"time"
)

func main() { os.Exit(command(os.Args[1:], os.Stdout, os.Stderr)) }

// options are what a run is told.
type options struct {
	length time.Duration
	seed   uint64
	dir    string // of everything that the run writes
	port   int    // the first of those of the gateways
	host   string // where the gateways are
	quiet  bool
	limit  bool // never mount anything
}

// command runs a soak: 0 when all was well, 1 when something was not, 2 when it
// could not run.
func command(args []string, out, diagnostics io.Writer) int {
	o, keep, err := parse(args, diagnostics)
	if errors.Is(err, flag.ErrHelp) {
		return 0
	}
	if err == nil {
		err = o.prepare()
	}
	if err != nil {
		fmt.Fprintln(diagnostics, "soak:", err)
		return 2
	}
	fmt.Fprintf(out, "soak for %v, seed %d, in %s\n", o.length, o.seed, o.dir)
	s, err := begin(o, out)
	if err != nil {
		fmt.Fprintln(diagnostics, "soak:", err)
		return 2
	}
	stopping := make(chan os.Signal, 1)
	signal.Notify(stopping, os.Interrupt, syscall.SIGTERM)
	go func() {
		<-stopping
		s.end()
		os.Exit(2)
	}()
	good := s.run()
	s.end()
	if !good {
		return 1
	}
	if !keep {
		os.RemoveAll(o.dir)
	}
	return 0
}

func parse(args []string, diagnostics io.Writer) (o options, keep bool, err error) {
	flags := flag.NewFlagSet("soak", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	flags.DurationVar(&o.length, "for", 2*time.Minute, "how long to go on, without the wait for what is still to be told")
	flags.Uint64Var(&o.seed, "seed", 0, "`N` decides the plan; 0: another one each time, which is printed")
	flags.StringVar(&o.dir, "dir", "", "the `folder` to work in; it is kept. Without: one that is removed when all was well")
	flags.IntVar(&o.port, "port", 21600, "the first of the ports of the gateways; 100 are used")
	flags.StringVar(&o.host, "host", "127.0.0.9", "the loopback address of the gateways")
	flags.BoolVar(&o.limit, "limit", false, "make the disk full by a limit on the size of files, as where no tmpfs may be mounted")
	flags.BoolVar(&o.quiet, "quiet", false, "print the report only")
	if err = flags.Parse(args); err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("%q is not expected", flags.Arg(0))
	}
	if err == nil && o.length < time.Minute {
		err = errors.New("--for must be a minute or more: a round takes most of one")
	}
	return o, o.dir != "", err
}

// prepare fills in what was not given.
func (o *options) prepare() (err error) {
	if o.seed == 0 {
		o.seed = rand.Uint64N(1_000_000) + 1
	}
	if o.dir == "" {
		o.dir, err = os.MkdirTemp("", "fanwarden-soak-")
		return err
	}
	return os.MkdirAll(o.dir, 0o755)
}
