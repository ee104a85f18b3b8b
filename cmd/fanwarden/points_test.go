package main

import (
	"context"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

// shows reports the lines of a pattern that a text lacks.
func shows(t *testing.T, out string, patterns ...string) {
	t.Helper()
	for _, p := range patterns {
		if !regexp.MustCompile("(?m)" + p).MatchString(out) {
			t.Errorf("no %s in:\n%s", p, out)
		}
	}
}

func TestPointsListsTheOtherWaysToReadEachPoint(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	field.do("set 1 input 2 120")
	file := fleetOf(t, "tcp://127.0.0.1:"+field.port)

	_, out, _ := runCommand(t, "points", "--config", file, "--fan", "healthy")
	shows(t, out,
		`^    as configured +-31\.0 Pa: int16, 0\.1 Pa a count$`,
		`^    with its sign turned +31\.0 Pa$`,
		`^    one address higher +55\.0 Pa$`, // of the pressure: the speed's word
		`^    one address higher +12 %$`,     // of the speed
		`^    as configured +closed: a bit, closed where it is 1$`,
		`^    inverted +open$`,
		`^\d+ more ways to read these words .*: --all$`,
		`does not say when it last heard from the unit`)
	if strings.Contains(out, "cannot be\n") || strings.Contains(out, "times ten") {
		t.Errorf("what cannot be, and mere scales, are for --all:\n%s", out)
	}

	_, out, _ = runCommand(t, "points", "--config", file, "--fan", "healthy", "--all")
	shows(t, out,
		`^    unsigned \(uint16\) +6\.52e\+03 Pa, which cannot be$`,
		`^    times ten +-310\.0 Pa$`,
		`^    in inH2O +-7\.72e\+03 Pa, which cannot be$`,
		`^    one address lower +no value$`) // there is none before the first
	if strings.Contains(out, "--all") {
		t.Errorf("nothing is left to ask for:\n%s", out)
	}
}

// A value that cannot be is most often one of a wrong scale or unit: these are
// shown without being asked for.
func TestPointsShowsScalesWhereTheConfiguredValueCannotBe(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	file := writeFleet(t, strings.Replace(configured("tcp://127.0.0.1:"+field.port), `unit = "%"`, `unit = "ratio"`, 1))
	_, out, _ := runCommand(t, "points", "--config", file, "--fan", "healthy")
	shows(t, out, `^    as configured +5500 %: uint16, 0\.1 ratio a count$`, `^    a hundredth of it +55 %$`)
}

func TestPointsTellsHowOldTheGatewaysCopyIs(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	field.do("set 1 input 7 42")
	const heard = "[pointmaps.riser.points.heard_ago]\ntable = \"input\"\naddress = 7\ntype = \"uint16\"\nunit = \"s\"\n[[buildings]]"
	file := writeFleet(t, strings.Replace(configured("tcp://127.0.0.1:"+field.port), "[[buildings]]", heard, 1))
	status, out, _ := runCommand(t, "points", "--config", file, "--fan", "healthy")
	shows(t, out, `^pressure .* good +42 s ago$`, `not heard from this unit for 42 s`)
	if status != foundWrong {
		t.Errorf("status %d", status)
	}
}

// lines tells a test of every line that is written.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
	seen func(text string)
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text.Write(b)
	l.seen(l.text.String())
	return len(b), nil
}

func TestWatchTellsEachChangeUntilItIsInterrupted(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	ctx, interrupt := context.WithTimeout(context.Background(), patience)
	defer interrupt()
	changed := false
	out := &lines{}
	out.seen = func(text string) {
		switch {
		case !changed && strings.Contains(text, "high_speed"):
			changed = true
			field.do("set 1 input 1 560")
		case strings.Contains(text, "56 %"):
			interrupt()
		}
	}
	file := fleetOf(t, "tcp://127.0.0.1:"+field.port)
	var diagnostics strings.Builder
	status := execute(ctx, &process{stdout: out, stderr: &diagnostics}, []string{"points", "--config", file, "--fan", "healthy", "--watch", "--every", "20ms"})
	text := out.text.String()
	if status != allWell || diagnostics.Len() > 0 {
		t.Errorf("status %d, %s", status, diagnostics.String())
	}
	shows(t, text, `^pressure +1 input +0 +FECA`, `^\d\d:\d\d:\d\d speed +1 input +1 +0230 +56 %`)
	if n := strings.Count(text, "pressure "); n != 1 {
		t.Errorf("the pressure did not change and has %d lines:\n%s", n, text)
	}
}

func TestWatchGoesOnWhereTheGatewayIsGone(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	ctx, interrupt := context.WithTimeout(context.Background(), patience)
	defer interrupt()
	closed, opened := false, false
	out := &lines{}
	out.seen = func(text string) {
		switch {
		case !closed && strings.Contains(text, "high_speed"):
			closed = true
			field.do("close")
		case closed && !opened && strings.Contains(text, "refused"):
			opened = true
			field.do("open")
		case opened && strings.Count(text, "good") > 5:
			interrupt()
		}
	}
	file := fleetOf(t, "tcp://127.0.0.1:"+field.port)
	status := execute(ctx, &process{stdout: out, stderr: &strings.Builder{}}, []string{"points", "--config", file, "--fan", "healthy", "--watch", "--every", "20ms"})
	if status == couldNotRun || !opened {
		t.Errorf("status %d:\n%s", status, out.text.String())
	}
	if status, _, stderr := runCommand(t, "points", "--config", file, "--fan", "healthy", "--watch", "--every", "0s"); status != couldNotRun || !strings.Contains(stderr, "above zero") {
		t.Errorf("status %d, %s", status, stderr)
	}
}

func TestDescribe(t *testing.T) {
	pa, _ := units.Find("Pa")
	for want, test := range map[string]struct {
		e     decode.Encoding
		table decode.Table
	}{
		"float32 CDAB, 1 Pa a count":              {decode.Encoding{Type: decode.Float32, Order: decode.CDAB, Bit: decode.NoBit, Scale: 1, Unit: pa}, decode.Input},
		"int16, 0.1 Pa a count, and -5 added":     {decode.Encoding{Type: decode.Int16, Bit: decode.NoBit, Scale: 0.1, Offset: -5, Unit: pa}, decode.Input},
		"bit 3 of the word, closed where it is 0": {decode.Encoding{Type: decode.Uint16, Bit: 3, Invert: true}, decode.Holding},
		"a word, closed where it is not 0":        {decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}, decode.Holding},
		"a bit, closed where it is 0":             {decode.Encoding{Type: decode.Bool, Bit: decode.NoBit, Invert: true}, decode.Coil},
		"uint16, 1 a count":                       {decode.Encoding{Type: decode.Uint16, Bit: decode.NoBit, Scale: 1}, decode.Input},
	} {
		if got := describe(config.PlacedPoint{Encoding: test.e, Table: test.table}); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestDescribeObject(t *testing.T) {
	pa, _ := units.Find("Pa")
	object := bacnet.Reference{Object: bacnet.ObjectID{Instance: 1}, Property: bacnet.PresentValue}
	for want, p := range map[string]config.PlacedPoint{
		"in Pa":                          {Encoding: decode.Encoding{Type: decode.Float32, Scale: 1, Unit: pa}},
		"249.1 Pa for each 1":            {Encoding: decode.Encoding{Type: decode.Float32, Scale: 249.1, Unit: pa}},
		"10 Pa for each 1, and -5 added": {Encoding: decode.Encoding{Type: decode.Float32, Scale: 10, Offset: -5, Unit: pa}},
		"closed where it is active":      {Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}},
		"closed where it is inactive":    {Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit, Invert: true}},
		"closed in the states 2, 3":      {Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}, States: []uint32{2, 3}},
	} {
		if p.Object = object; describe(p) != want {
			t.Errorf("%q, want %q", describe(p), want)
		}
	}
	wrong := deviceSays(config.PlacedPoint{Object: object, Encoding: decode.Encoding{Type: decode.Float32, Scale: 1, Unit: pa}},
		&turnover.Says{HasUnit: true, Unit: 58, Flags: bacnet.StatusFlags{Fault: true}, Reliability: 1})
	if wrong != `fault, no sensor, in inH2O, WHICH IS NOT THE POINT MAP'S: correct unit and scale there, or where the device is wrong add device_unit = "inH2O"` {
		t.Error(wrong)
	}
	if turned := deviceSays(config.PlacedPoint{}, &turnover.Says{HasPolarity: true, Polarity: bacnet.Reverse}); turned != "no flags, polarity reverse, turned by the device already" {
		t.Error(turned)
	}
}

func TestAgeIsAskedForFirst(t *testing.T) {
	fan := &config.Fan{Gateway: &config.Gateway{Points: []config.PlacedPoint{{Point: reading.HeardAgo}}},
		Points: []config.PlacedPoint{{Point: reading.Pressure}, {Point: reading.Speed}, {Point: reading.ForceSpeed}}}
	asked := (&pointTable{fan: fan}).asked()
	if len(asked) != 3 || asked[0].Point != reading.HeardAgo || asked[1].Point != reading.Pressure || asked[2].Point != reading.Speed {
		t.Errorf("%v", asked)
	}
	if latest(time.Unix(1, 0), time.Unix(2, 0)) != time.Unix(2, 0) {
		t.Error("a look that took longer than the interval shifts the next")
	}
}
