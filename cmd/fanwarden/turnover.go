package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

const turnoverUsage = "--config FILE [--building ID] [--fan ID]... [--for 30s] [--report DIR] [--by NAME]\n" +
	"                          [--witness NAME] [--instrument NAME,SERIAL,CALIBRATED]...\n" +
	"       fanwarden turnover --config FILE --fan ID... --exercise [--step 20s] [--stop]\n" +
	"       fanwarden turnover --config FILE --fan ID... --release\n" +
	"       fanwarden turnover --verify FILE"

// names is a flag that may be given several times.
type names []string

func (n *names) String() string       { return strings.Join(*n, ", ") }
func (n *names) Set(one string) error { *n = append(*n, strings.Split(one, ",")...); return nil }

// instruments is a flag that may be given several times.
type instruments []turnover.Instrument

func (all *instruments) String() string { return fmt.Sprint(*all) }

func (all *instruments) Set(one string) error {
	parts := strings.Split(one, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	if len(parts) != 3 || parts[0] == "" {
		return errors.New("write its name, serial number and calibration date, as in \"Manometer,M-12,2026-05-01\"")
	}
	*all = append(*all, turnover.Instrument{Name: parts[0], Serial: parts[1], Calibrated: parts[2]})
	return nil
}

// handover is one run of the command.
type handover struct {
	p       *process
	fleet   *config.Fleet
	path    string
	fans    []*config.Fan
	lasts   time.Duration
	hold    time.Duration // of each speed of an exercise
	report  string        // the folder of the report, "" for none
	by      string        // who proves
	witness string
	tools   instruments
	loan    *loan
	lines   *bufio.Reader                      // of what is typed
	courses map[reading.FanID]*turnover.Course // of what was exercised
}

// handOver proves the points of fans, and exercises or releases fans where that is
// asked for.
func handOver(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("turnover", flag.ContinueOnError)
	h := &handover{p: p}
	path := fleetFlag(flags)
	building := flags.String("building", "", "only the fans of the building `ID`")
	var ids names
	flags.Var(&ids, "fan", "only the fan `ID`; may be given several times")
	flags.DurationVar(&h.lasts, "for", 30*time.Second, "how long to look at the fans")
	flags.StringVar(&h.report, "report", "", "write the records to the folder `DIR`: a page to print and sign, CSV and JSON")
	flags.StringVar(&h.by, "by", "", "the `NAME` of who proves, for the record")
	flags.StringVar(&h.witness, "witness", "", "the `NAME` of who watches, for the record")
	flags.Var(&h.tools, "instrument", "`NAME,SERIAL,CALIBRATED` of an instrument that is compared with, for the record; may be given several times")
	exercise := flags.Bool("exercise", false, "then force the fans named by --fan through their speeds, after a question")
	flags.DurationVar(&h.hold, "step", turnover.DefaultHold, "with --exercise: how long to hold each speed; a large duct needs longer")
	stop := flags.Bool("stop", false, "with --exercise: stop the fan too")
	release := flags.Bool("release", false, "give back the fans named by --fan that an exercise left forced")
	var records names
	flags.Var(&records, "verify", "only say whether the record in `FILE`, as JSON, is as it was sealed; may be given several times")
	if err := p.parse(flags, args, 0, turnoverUsage); err != nil {
		return status(err)
	}
	if len(records) > 0 {
		return p.verify(records)
	}
	if err := p.need(flags, "config"); err != nil {
		return status(err)
	}
	var good bool
	if h.path = *path; h.lasts < 0 {
		return h.cannot(errors.New("--for must not be below zero"))
	}
	if h.fleet, good = p.loadFleet(*path); !good {
		return couldNotRun
	}
	if h.hold < turnover.LeastHold {
		return h.cannot(fmt.Errorf("--step must be at least %s", turnover.LeastHold))
	}
	if err := h.choose(*building, ids); err != nil {
		return h.cannot(err)
	}
	if (*exercise || *release) && len(ids) == 0 {
		return h.cannot(errors.New("name the fans by --fan: nothing is written to a fan that is not named"))
	}
	if *exercise || *release {
		var end func()
		ctx, end = h.untilHangup(ctx)
		defer end()
	}
	gateways, _ := behind(h.fans)
	loan, err := borrow(h.fleet, gateways, p.stderr)
	if err != nil {
		return h.cannot(err)
	}
	defer loan.close()
	h.loan = loan
	if *release {
		return h.release(ctx)
	}
	warnOfForced(p.stderr, h.fleet)
	return h.proveAndRecord(ctx, *exercise, *stop)
}

func (h *handover) cannot(err error) int {
	fmt.Fprintln(h.p.stderr, "fanwarden turnover:", err)
	return couldNotRun
}

// choose picks the fans, each once.
func (h *handover) choose(building string, ids names) error {
	for _, id := range ids {
		f, err := findFan(h.fleet, reading.FanID(id))
		if err != nil {
			return err
		}
		if !slices.Contains(h.fans, f) {
			h.fans = append(h.fans, f)
		}
	}
	if len(ids) > 0 {
		return nil
	}
	for _, f := range h.fleet.Fans {
		if building == "" || string(f.Building.ID) == building {
			h.fans = append(h.fans, f)
		}
	}
	if len(h.fans) == 0 {
		known := make([]string, len(h.fleet.Buildings))
		for i, b := range h.fleet.Buildings {
			known[i] = string(b.ID)
		}
		return fmt.Errorf("%s has no fan in a building %q; %s", h.fleet.Path, building, config.Meant(building, known))
	}
	return nil
}

// behind returns fans by their gateways, in their order.
func behind(all []*config.Fan) (gateways []*config.Gateway, fans map[*config.Gateway][]*config.Fan) {
	fans = make(map[*config.Gateway][]*config.Fan)
	for _, f := range all {
		if fans[f.Gateway] == nil {
			gateways = append(gateways, f.Gateway)
		}
		fans[f.Gateway] = append(fans[f.Gateway], f)
	}
	return gateways, fans
}

// proveAndRecord proves the fans, by looking and where that is asked for by
// exercise, and keeps the records. What could not be kept is a failure of the
// command, whatever was proven.
func (h *handover) proveAndRecord(ctx context.Context, exercise, toStop bool) (status int) {
	began := time.Now()
	if exercise {
		if err := h.mayExercise(toStop); err != nil {
			return h.cannot(err)
		}
	}
	var others []*config.Fan
	if exercise {
		others = h.neighbours()
	}
	status, proven := h.prove(ctx, others)
	if exercise && ctx.Err() == nil {
		good, err := h.exercise(ctx, proven, toStop)
		if err != nil {
			status = h.cannot(err)
		} else if !good {
			status = foundWrong
		}
	}
	if err := h.record(proven, began); err != nil {
		fmt.Fprintln(h.p.stderr, "fanwarden turnover: the record was not kept:", err)
		return foundWrong
	}
	return status
}

// prove looks at the fans and prints what that proves. Others are looked at beside
// them, and not told of.
func (h *handover) prove(ctx context.Context, others []*config.Fan) (status int, proven []turnover.Fan) {
	all := slices.Concat(h.fans, others)
	looks := h.look(ctx, all)
	proven = turnover.Prove(h.fleet, all, looks)[:len(h.fans)]
	for i := range proven {
		printProofs(h.p.stdout, &proven[i])
	}
	status = conclude(h.p.stdout, proven)
	if ctx.Err() != nil {
		fmt.Fprintln(h.p.stderr, "fanwarden turnover: interrupted; what is printed rests on what was seen until then")
		return foundWrong, proven
	}
	return status, proven
}

// look looks at fans, gateway beside gateway and fan after fan.
func (h *handover) look(ctx context.Context, these []*config.Fan) map[reading.FanID][]turnover.Look {
	looks := make(map[reading.FanID][]turnover.Look)
	var lock sync.Mutex
	var all sync.WaitGroup
	gateways, fans := behind(these)
	for _, g := range gateways {
		v := visiting(g, h.p.stderr)
		defer v.Close()
		for _, together := range beside(g, fans[g]) {
			all.Go(func() {
				lookBehind(ctx, v, together, h.lasts, func(f *config.Fan, l turnover.Look) {
					lock.Lock()
					defer lock.Unlock()
					looks[f.ID] = append(looks[f.ID], l)
				})
			})
		}
	}
	all.Wait()
	return looks
}

// Each fan is looked at as often as the time allows, once a second and ten
// thousand times at the most, and four times at the least, however slow the line
// is: less proves nothing.
const (
	leastLooks = 4
	lookEvery  = time.Second
	mostLooks  = 10_000
)

// beside parts the fans of a gateway by those that are looked at in turn: all of
// them, or each by itself, where one BACnet device that is silent must not delay the
// others.
func beside(g *config.Gateway, fans []*config.Fan) [][]*config.Fan {
	if !g.BACnet() {
		return [][]*config.Fan{fans}
	}
	var each [][]*config.Fan
	for i := range fans {
		each = append(each, fans[i:i+1])
	}
	return each
}

// lookBehind looks at fans of one gateway in turn.
func lookBehind(ctx context.Context, v *visit.Visit, fans []*config.Fan, lasts time.Duration, seen func(*config.Fan, turnover.Look)) {
	lookers := make([]*visit.Looker, len(fans))
	for i, f := range fans {
		lookers[i] = visit.NewLooker(v, f)
	}
	every := max(lookEvery, lasts/mostLooks)
	end := time.Now().Add(lasts)
	for n := 0; n < leastLooks || time.Now().Before(end); n++ {
		next := time.Now().Add(every)
		for i, f := range fans {
			l, err := lookers[i].Look(ctx)
			if err != nil {
				return
			}
			seen(f, l)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Until(next)):
		}
	}
}

// printProofs prints a line a point, and indented what the fan was seen to do.
func printProofs(w io.Writer, f *turnover.Fan) {
	for i := range f.Proofs {
		p := &f.Proofs[i]
		fmt.Fprintf(w, "%s %s %s %s\n", f.Fan.ID, p.Place.Point, p.Verdict, p.Reason)
	}
	for _, p := range f.Fan.Points {
		if p.Point.Output() {
			fmt.Fprintf(w, "%s %s %s only an exercise writes it\n", f.Fan.ID, p.Point, turnover.NotApplicable)
		}
	}
	printSeen(w, f.Seen)
}

func printSeen(w io.Writer, seen []turnover.Seen) {
	for _, s := range seen {
		fmt.Fprintf(w, "    %s: %s, %s\n", s.What, s.Verdict, s.Reason)
	}
}

// conclude counts the verdicts.
func conclude(w io.Writer, proven []turnover.Fan) int {
	count := make(map[turnover.Verdict]int)
	for _, f := range proven {
		for _, p := range f.Proofs {
			count[p.Verdict]++
		}
	}
	fmt.Fprintf(w, "\n  %d points pass, %d fail, %d were not seen to do what proves them\n", count[turnover.Pass], count[turnover.Fail], count[turnover.NotSeen])
	clear(count)
	for _, f := range proven {
		for _, s := range f.Seen {
			count[s.Verdict]++
		}
	}
	fmt.Fprintf(w, "  of what the fans do by themselves, %d pass, %d fail, %d were not seen\n", count[turnover.Pass], count[turnover.Fail], count[turnover.NotSeen])
	for _, f := range proven {
		if f.Failed() {
			return foundWrong
		}
	}
	return allWell
}
