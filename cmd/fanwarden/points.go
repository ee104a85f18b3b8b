package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// dialLimit bounds one attempt to reach a gateway.
const dialLimit = 3 * time.Second

// points reads every point of one fan, each by a request of its own, so that a
// point that the device refuses is told from its neighbours.
func points(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("points", flag.ContinueOnError)
	path := fleetFlag(flags)
	id := flags.String("fan", "", "the `ID` of the fan")
	if err := p.parse(flags, args, 0, "--config FILE --fan ID", "config", "fan"); err != nil {
		return status(err)
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	fan, err := findFan(fleet, reading.FanID(*id))
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return couldNotRun
	}
	return printPoints(ctx, p, fan)
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

// row is the layout of the table: the columns have fixed widths, so that each
// row can be shown as soon as its point was asked.
const row = "%-18s %5v %-9s %7v  %-9s  %-16s %-20s %s\n"

func printPoints(ctx context.Context, p *process, fan *config.Fan) int {
	fmt.Fprintf(p.stdout, "%s (%s) through gateway %s, %s, %s\n\n", fan.Name, fan.ID, fan.Gateway.ID, fan.Gateway.URL,
		time.Now().Format(time.RFC3339))
	line := &conversation{gateway: fan.Gateway, dial: daemon.Dial(zap.NewNop())}
	defer line.close()
	if err := line.open(ctx); err != nil {
		fmt.Fprintf(p.stderr, "fanwarden points: gateway %s: %v; nothing was read\n", fan.Gateway.ID, err)
		return foundWrong
	}
	fmt.Fprintf(p.stdout, row, "POINT", "UNIT", "TABLE", "ADDRESS", "RAW", "VALUE", "IN BASE UNITS", "QUALITY")
	look := &look{fan: fan}
	for _, point := range fan.Points {
		if point.Point.Output() {
			continue
		}
		words, err := line.read(ctx, point)
		look.show(p.stdout, point, words, err)
		if err != nil && line.session == nil && ctx.Err() != nil {
			break
		}
	}
	return look.conclude(p.stdout)
}

// look is what was seen of a fan so far.
type look struct {
	fan     *config.Fan
	reading reading.Reading
	bad     bool // a point had no good value
	alive   bool // a word was not zero
}

// show writes a point's row.
func (l *look) show(w io.Writer, point config.PlacedPoint, words []uint16, err error) {
	if err != nil {
		l.bad = true
		fmt.Fprintf(w, row, point.Point, point.Unit, point.Table, point.Address, "", "", "", err)
		return
	}
	for _, word := range words {
		l.alive = l.alive || word != 0
	}
	value, quality := point.Encoding.Decode(words)
	if quality != reading.Good {
		l.bad = true
		fmt.Fprintf(w, row, point.Point, point.Unit, point.Table, point.Address, hex(words), "", "", quality)
		return
	}
	l.reading.Set(point.Point, value)
	fmt.Fprintf(w, row, point.Point, point.Unit, point.Table, point.Address, hex(words), inUnit(value, point.Encoding.Unit),
		inUnit(value, baseUnit(point.Encoding.Unit.Dimension)), quality)
}

// conclude adds what follows from the points together, and returns the exit
// status.
func (l *look) conclude(w io.Writer) int {
	if _, mapped := l.fan.Placed(reading.Airflow); !mapped {
		l.fan.Complete(&l.reading)
		if flow, good := l.reading.Get(reading.Airflow); good {
			fmt.Fprintf(w, row, reading.Airflow, "", "computed", "", "", "", inUnit(flow, baseUnit(units.Flow)), reading.Good)
		}
	}
	switch ago, good := l.reading.Get(reading.HeardAgo); {
	case good && ago > l.fan.Gateway.StaleAfter.Seconds():
		fmt.Fprintf(w, "\nThe gateway has not heard from this unit for %s: what it shows is old, and the daemon takes the unit for silent.\n",
			units.Span(time.Duration(ago*float64(time.Second))))
		return foundWrong
	case l.fan.PointMap.AbsentIfAllZero && !l.alive && !l.bad:
		fmt.Fprintf(w, "\nEverything is zero: by absent_when of map %q the gateway has lost this unit, and the daemon takes it for silent.\n",
			l.fan.PointMap.Name)
		return foundWrong
	case l.bad:
		return foundWrong
	}
	return allWell
}

// conversation reads single points and opens the session anew after whatever
// ended it.
type conversation struct {
	gateway *config.Gateway
	dial    poller.Dial
	session poller.Session
	quiet   time.Time // not before this may the session be opened again
}

func (c *conversation) close() {
	if c.session != nil {
		c.session.Close()
		c.session = nil
	}
}

// read asks for the words of one point.
func (c *conversation) read(ctx context.Context, point config.PlacedPoint) ([]uint16, error) {
	if c.session == nil {
		if err := c.open(ctx); err != nil {
			return nil, err
		}
	}
	if err := wait(ctx, c.gateway.Pause); err != nil {
		return nil, err
	}
	words := make([]uint16, point.Words())
	err := c.session.Read(point.Unit, point.Table, point.Address, len(words), words)
	var failure *reading.Failure
	if errors.As(err, &failure) && failure.Code == 0 {
		c.close()
		c.quiet = time.Now().Add(c.gateway.LateReply)
	}
	return words, err
}

// open dials, once no late answer can come into the new connection any more.
func (c *conversation) open(ctx context.Context) error {
	if err := wait(ctx, time.Until(c.quiet)); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	session, err := c.dial(ctx, c.gateway)
	if err == nil {
		c.session = session
	}
	return err
}

func wait(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// hex writes raw words as they came, the first one first.
func hex(words []uint16) string {
	parts := make([]string, len(words))
	for i, word := range words {
		parts[i] = fmt.Sprintf("%04X", word)
	}
	return strings.Join(parts, " ")
}

// baseUnit returns the unit in which the program computes a dimension.
func baseUnit(d units.Dimension) units.Unit {
	names := units.Names(d)
	if len(names) == 0 {
		return units.Unit{}
	}
	unit, _ := units.Find(names[0])
	return unit
}

// inUnit writes a value that is given in its base unit.
func inUnit(base float64, unit units.Unit) string {
	if unit.Name == "" {
		return strconv.FormatFloat(base, 'g', 7, 64)
	}
	return strconv.FormatFloat(unit.From(base), 'g', 7, 64) + " " + unit.Name
}
