package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"regexp"
	"time"

	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

// guessWish is what `points --guess` is asked for.
type guessWish struct {
	gateway, table, name string
	unit, from, count    int
	lasts                time.Duration
}

func (w *guessWish) flags(flags *flag.FlagSet) {
	flags.StringVar(&w.gateway, "gateway", "", "with --guess or --discover: the `ID` of a gateway, where no fan is known yet")
	flags.IntVar(&w.unit, "unit", -1, "with --guess: the unit behind it (default: the fan's); with --discover: this device only")
	flags.StringVar(&w.table, "table", "", "with --guess: read this table only: input, holding, discrete or coil (default: all four)")
	flags.IntVar(&w.from, "from", 0, "with --guess: the first address, from 0")
	flags.IntVar(&w.count, "count", 64, "with --guess: how many addresses of each table")
	flags.DurationVar(&w.lasts, "for", 30*time.Second, "with --guess: for how long to look")
	flags.StringVar(&w.name, "name", "guessed", "with --guess: what the point map is to be called")
}

// The most that one request may ask for (Modbus Application Protocol V1.1b3,
// sections 6.1 to 6.4).
const mostBits = 2000

// guess reads a range of a unit's addresses several times, and proposes a point map
// from what they held. It only reads.
func (w *guessWish) guess(ctx context.Context, p *process, fleet *config.Fleet, id reading.FanID) int {
	fan, gateway, err := w.whom(fleet, id)
	if err == nil && gateway.BACnet() {
		err = fmt.Errorf("gateway %s is a BACnet one, whose devices say what their objects are; use --discover --gateway %s", gateway.ID, gateway.ID)
	}
	var tables []decode.Table
	if err == nil {
		tables, err = w.tables()
	}
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return couldNotRun
	}
	loan, err := borrow(fleet, []*config.Gateway{gateway}, p.stderr)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return couldNotRun
	}
	defer loan.close()
	line := visiting(gateway, p.stderr)
	defer line.Close()
	if err := line.Open(ctx); err != nil {
		fmt.Fprintf(p.stderr, "fanwarden points: gateway %s: %v; nothing was read\n", gateway.ID, err)
		return foundWrong
	}
	fmt.Fprintf(p.stderr, "reading unit %d of gateway %s for %s, and writing nothing; ctrl-C ends it early\n", w.unit, gateway.ID, units.Span(w.lasts))
	s := newSurveyor(line, w.unit, tables, w.from, w.count)
	s.look(ctx, w.lasts)
	w.heading(p.stdout, s, gateway)
	proposal := turnover.Likely(&s.survey, fan, fleet.Units)
	fmt.Fprint(p.stdout, proposal.Block(w.name))
	if !proposal.Whole() {
		return foundWrong
	}
	return allWell
}

// whom finds the fan, or the gateway and unit without one.
func (w *guessWish) whom(fleet *config.Fleet, id reading.FanID) (*config.Fan, *config.Gateway, error) {
	switch {
	case !regexp.MustCompile(`^[A-Za-z0-9_-]+$`).MatchString(w.name):
		return nil, nil, fmt.Errorf("--name %q cannot name a point map; write letters, digits, - and _", w.name)
	case id != "" && w.gateway != "":
		return nil, nil, errors.New("--fan and --gateway are both given; the fan's gateway is known")
	case id != "":
		fan, err := findFan(fleet, id)
		if err != nil {
			return nil, nil, err
		}
		if w.unit < 0 {
			w.unit = fan.Unit
		}
		return fan, fan.Gateway, nil
	case w.gateway == "" || w.unit < 0 || w.unit > 255:
		return nil, nil, errors.New("say whose registers: --fan ID, or --gateway ID and --unit N (0 to 255)")
	}
	g, err := findGateway(fleet, w.gateway)
	return nil, g, err
}

func (w *guessWish) tables() ([]decode.Table, error) {
	switch {
	case w.from < 0 || w.count < 1 || w.from+w.count > 1<<16:
		return nil, errors.New("--from and --count must lie within the addresses 0 to 65535")
	case w.lasts <= 0:
		return nil, errors.New("--for must be above zero, as in --for 30s")
	case w.table == "":
		return []decode.Table{decode.Input, decode.Holding, decode.Discrete, decode.Coil}, nil
	}
	table, known := decode.FindTable(w.table)
	if !known {
		return nil, fmt.Errorf("--table %q is none; write input, holding, discrete or coil, or leave it out to read all four", w.table)
	}
	return []decode.Table{table}, nil
}

func (w *guessWish) heading(out io.Writer, s *surveyor, g *config.Gateway) {
	lasted := time.Duration(0)
	if n := len(s.survey.Times); n > 0 {
		lasted = s.survey.Times[n-1].Sub(s.survey.Times[0])
	}
	fmt.Fprintf(out, "# Proposed from %d looks in %s at unit %d of gateway %s.\n# Addresses are those on the wire, from 0: what a fan has as base or slot is within them.\n",
		len(s.survey.Times), units.Span(lasted), w.unit, g.ID)
	for _, says := range s.summary() {
		fmt.Fprintf(out, "# %s\n", says)
	}
	fmt.Fprintln(out)
}

// surveyor reads ranges of a unit, one request at a time, and remembers what is
// refused.
type surveyor struct {
	line   *visit.Visit
	unit   int
	pieces []piece
	survey turnover.Survey
	wanted map[decode.Table]int
}

// piece is what one request asks for.
type piece struct {
	table          decode.Table
	address, count int
	lost           int // how often in a row it had no answer
}

func newSurveyor(line *visit.Visit, unit int, tables []decode.Table, from, count int) *surveyor {
	s := &surveyor{line: line, unit: unit, wanted: make(map[decode.Table]int)}
	s.survey.Held = make(map[turnover.Cell][]int)
	for _, table := range tables {
		most := line.Gateway.MaxRegisters
		if table.Bits() {
			most = mostBits
		}
		for at := from; at < from+count; at += most {
			s.pieces = append(s.pieces, piece{table: table, address: at, count: min(most, from+count-at)})
		}
		s.wanted[table] = count
	}
	return s
}

// look looks again and again for a while: about thirty times, and at most ten times
// a second.
func (s *surveyor) look(ctx context.Context, lasts time.Duration) {
	every := min(max(lasts/30, 100*time.Millisecond), 5*time.Second)
	end := time.Now().Add(lasts)
	for next := time.Now(); visit.Wait(ctx, time.Until(next)) == nil && !next.After(end); next = latest(next.Add(every), time.Now()) {
		s.once(ctx)
		if len(s.pieces) == 0 {
			return
		}
	}
}

// once asks for every piece; a look that was interrupted is not counted.
func (s *surveyor) once(ctx context.Context) {
	at := time.Now()
	got := make(map[turnover.Cell]int)
	var kept []piece
	for _, p := range s.pieces {
		kept = append(kept, s.ask(ctx, p, got)...)
	}
	if ctx.Err() != nil {
		return
	}
	s.pieces = kept
	s.survey.Times = append(s.survey.Times, at)
	n := len(s.survey.Times)
	for c := range got {
		if s.survey.Held[c] == nil {
			s.survey.Held[c] = unanswered(n - 1)
		}
	}
	for c, held := range s.survey.Held {
		word, answered := got[c]
		if !answered {
			word = -1
		}
		s.survey.Held[c] = append(held, word)
	}
}

func unanswered(n int) []int {
	none := make([]int, n)
	for k := range none {
		none[k] = -1
	}
	return none
}

// ask asks for a piece and returns what of it is to be asked for again: it is
// halved where an address of it is refused, until those alone are left out.
func (s *surveyor) ask(ctx context.Context, p piece, got map[turnover.Cell]int) []piece {
	words, err := s.line.Read(ctx, s.unit, p.table, p.address, p.count)
	if err == nil {
		for i, w := range words {
			got[turnover.Cell{Table: p.table, Address: p.address + i}] = int(w)
		}
		p.lost = 0
		return []piece{p}
	}
	const twice = 2
	var failure *reading.Failure
	switch {
	case !errors.As(err, &failure) || failure.Code == 0 || failure.Outcome == reading.UnitSilent || failure.Outcome == reading.PathUnavailable:
		if p.lost++; p.lost > twice {
			return nil // many devices say nothing to what they do not have
		}
		return []piece{p}
	case failure.Code == illegalFunction:
		return nil // the device has no such table
	case failure.Code != illegalAddress && failure.Code != illegalValue:
		return []piece{p} // busy, for one
	case p.count == 1:
		return nil
	}
	half := p.count / 2
	return append(s.ask(ctx, piece{table: p.table, address: p.address, count: half}, got),
		s.ask(ctx, piece{table: p.table, address: p.address + half, count: p.count - half}, got)...)
}

// Exceptions (Modbus Application Protocol V1.1b3, section 7). Some devices refuse a
// range that goes beyond theirs by the last.
const (
	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
)

// summary says what of each table was read.
func (s *surveyor) summary() []string {
	var says []string
	for table := decode.Input + 1; table > 0; table-- {
		t := table - 1
		if s.wanted[t] == 0 {
			continue
		}
		n := 0
		for c := range s.survey.Held {
			if c.Table == t {
				n++
			}
		}
		says = append(says, fmt.Sprintf("%s: %d of %d addresses answered.", t, n, s.wanted[t]))
	}
	return says
}
