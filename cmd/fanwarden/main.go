// Command fanwarden watches exhaust fans through the gateways that are already
// there, says which fan is wrong, why, and what to check first.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the image's base is empty

	_ "golang.org/x/crypto/x509roots/fallback" // likewise, and receivers prove themselves
)

// version is set by the linker: -ldflags "-X main.version=1.2.3".
var version = "dev"

// The exit statuses, for every command.
const (
	allWell      = 0
	foundWrong   = 1 // the command ran and found something wrong
	couldNotRun  = 2 // usage, or a file that is unreadable or invalid
	usageHeading = "usage: fanwarden COMMAND [FLAGS]"
)

// command is one thing that the program does.
type command struct {
	name, synopsis string
	run            func(ctx context.Context, p *process, args []string) int
}

// commands lists them in the order of a fan's life.
func commands() []command {
	return []command{
		{"demo", "[--listen ADDR] [--fans N]         a simulated campus and the daemon, no set-up", demo},
		{"check", "--config FILE                      what is wrong with the file; the poll plan; the settings audit", check},
		{"run", "--config FILE                      the daemon", run},
		{"points", "--config FILE --fan ID             raw words of one fan, now, and every way to read them;\n" +
			"                                              --guess proposes its point map, --discover\n" +
			"                                              those of the BACnet devices of a gateway", points},
		{"turnover", "--config FILE [--building ID] [--fan ID] [--for 30s] [--exercise]\n" +
			"                                              proves every mapped point of the fans", handOver},
		{"replay", "--config FILE [--format text|jsonl] READINGS.csv\n" +
			"                                              the same rules over recorded readings", replay},
		{"sim", "--config FILE [--control ADDR] [--seed N]\n" +
			"                                              stand-in controllers at every loopback url of FILE", sim},
		{"tell", "--config FILE [--way ID]           a message by each way out that says that nothing is wrong", tell},
		{"hash", "[--token]                          what the fleet file keeps of a password, or of a machine's token", hash},
		{"version", "                                   what this program is", printVersion},
	}
}

// process is what a command may use of the world, so that tests can run it in
// their own process.
type process struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	hangup         <-chan os.Signal // SIGHUP
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	status := execute(ctx, &process{os.Stdin, os.Stdout, os.Stderr, hangup}, os.Args[1:])
	stop()
	os.Exit(status)
}

// execute runs one command line and returns its exit status.
func execute(ctx context.Context, p *process, args []string) int {
	if len(args) == 0 {
		usage(p.stderr)
		return couldNotRun
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, p, args[1:])
		}
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		usage(p.stdout)
		return allWell
	}
	fmt.Fprintf(p.stderr, "fanwarden: there is no command %q\n\n", args[0])
	usage(p.stderr)
	return couldNotRun
}

func usage(w io.Writer) {
	fmt.Fprintf(w, "%s\n\n", usageHeading)
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-8s %s\n", c.name, c.synopsis)
	}
	fmt.Fprint(w, "\nResults go to standard output, diagnostics to standard error.\n"+
		"Exit status: 0 all well; 1 something wrong was found; 2 the command could not run.\n")
}

func printVersion(_ context.Context, p *process, _ []string) int {
	fmt.Fprintln(p.stdout, "fanwarden", version)
	return allWell
}

// errUsage is a command line that was answered already.
var errUsage = errors.New("usage")

// parse reads the flags of a command and the number of arguments behind them;
// the flags that are needed must have been given.
func (p *process) parse(flags *flag.FlagSet, args []string, operands int, synopsis string, needed ...string) error {
	flags.SetOutput(p.stderr)
	flags.Usage = func() {
		fmt.Fprintf(p.stderr, "usage: fanwarden %s %s\n", flags.Name(), synopsis)
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		return err
	}
	for _, operand := range flags.Args() {
		if len(operand) > 1 && operand[0] == '-' {
			fmt.Fprintf(p.stderr, "fanwarden %s: %s comes too late; flags stand before the file\n", flags.Name(), operand)
			flags.Usage()
			return errUsage
		}
	}
	if flags.NArg() != operands {
		fmt.Fprintf(p.stderr, "fanwarden %s: %d operands given, %d wanted\n", flags.Name(), flags.NArg(), operands)
		flags.Usage()
		return errUsage
	}
	return p.need(flags, needed...)
}

// need wants flags to have been given.
func (p *process) need(flags *flag.FlagSet, needed ...string) error {
	for _, name := range needed {
		if flags.Lookup(name).Value.String() == "" {
			fmt.Fprintf(p.stderr, "fanwarden %s: --%s is missing\n", flags.Name(), name)
			flags.Usage()
			return errUsage
		}
	}
	return nil
}

// status turns an error of parse into an exit status: asking for help is no
// mistake.
func status(err error) int {
	if errors.Is(err, flag.ErrHelp) {
		return allWell
	}
	return couldNotRun
}
