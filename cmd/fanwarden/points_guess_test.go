package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// device is a session with a unit that has some registers, and counts what it is
// asked.
type device struct {
	has    map[int]bool // input registers; a request that goes beyond is refused
	code   uint8        // with which
	asked  []int        // the count of each request
	tables map[decode.Table]int
	silent bool
}

func (d *device) Close() error { return nil }

func (d *device) Read(_ int, table decode.Table, address, count int, into []uint16) error {
	d.asked = append(d.asked, count)
	d.tables[table]++
	if d.silent {
		return &reading.Failure{Outcome: reading.Timeout, Err: errors.New("silence")}
	}
	if table != decode.Input {
		return &reading.Failure{Outcome: reading.Exception, Code: illegalFunction, Err: errors.New("no such table")}
	}
	for i := range count {
		if !d.has[address+i] {
			return &reading.Failure{Outcome: reading.Exception, Code: d.code, Err: errors.New("no such address")}
		}
		into[i] = uint16(100 + address + i)
	}
	return nil
}

func surveying(d *device, most, from, count int) *surveyor {
	d.tables = make(map[decode.Table]int)
	line := visit.New(&config.Gateway{MaxRegisters: most}, func(context.Context, *config.Gateway) (poller.Session, error) { return d, nil }, nil)
	return newSurveyor(line, 1, []decode.Table{decode.Input, decode.Coil}, from, count)
}

func TestSurveySplitsWhatIsRefusedAndRemembersIt(t *testing.T) {
	for _, code := range []uint8{illegalAddress, illegalValue} {
		d := &device{code: code, has: map[int]bool{}}
		for a := range 40 {
			d.has[a] = a != 7 && a < 30
		}
		s := surveying(d, 125, 0, 64)
		s.once(t.Context())
		first := len(d.asked)
		s.once(t.Context())
		again := d.asked[first:]
		for a := range 64 {
			held := s.survey.Held[turnover.Cell{Table: decode.Input, Address: a}]
			switch {
			case d.has[a] && (len(held) != 2 || held[0] != 100+a || held[1] != 100+a):
				t.Errorf("address %d holds %v", a, held)
			case !d.has[a] && held != nil:
				t.Errorf("address %d is not there and holds %v", a, held)
			}
		}
		if len(again) > 8 {
			t.Errorf("the second look asked %d times: %v", len(again), again)
		}
		if d.tables[decode.Coil] != 1 {
			t.Errorf("a table that is not there was asked for %d times", d.tables[decode.Coil])
		}
		if says := strings.Join(s.summary(), " "); says != "input: 29 of 64 addresses answered. coil: 0 of 64 addresses answered." {
			t.Error(says)
		}
	}
}

func TestSurveyKeepsToWhatOneRequestMayAskFor(t *testing.T) {
	d := &device{code: illegalAddress, has: map[int]bool{}}
	for a := range 600 {
		d.has[a] = true
	}
	s := surveying(d, 125, 100, 300)
	s.once(t.Context())
	if fmt.Sprint(d.asked) != "[125 125 50 300]" { // the last one is of coils
		t.Errorf("%v", d.asked)
	}
	d = &device{code: illegalAddress, has: d.has}
	surveying(d, 20, 0, 50).once(t.Context())
	if fmt.Sprint(d.asked) != "[20 20 10 50]" {
		t.Errorf("%v", d.asked)
	}
}

// A device that says nothing to what it does not have is not asked for it for ever,
// and what is silent once is asked again.
func TestSurveyGivesUpWhereNobodyAnswers(t *testing.T) {
	d := &device{silent: true}
	s := surveying(d, 125, 0, 10)
	for range 6 {
		s.once(t.Context())
	}
	if len(d.asked) != 6 || len(s.pieces) != 0 {
		t.Errorf("asked %d times, %d pieces left", len(d.asked), len(s.pieces))
	}
	d = &device{has: map[int]bool{0: true, 1: true}, silent: true}
	s = surveying(d, 125, 0, 2)
	s.once(t.Context())
	d.silent = false
	s.once(t.Context())
	if held := s.survey.Held[turnover.Cell{Table: decode.Input, Address: 1}]; fmt.Sprint(held) != "[-1 101]" {
		t.Errorf("%v", held)
	}
	interrupted, stop := context.WithCancel(t.Context())
	stop()
	if s.once(interrupted); len(s.survey.Times) != 2 {
		t.Error("an interrupted look is counted")
	}
}

// A controller of another library runs for some seconds; its map is guessed, and the
// fleet file with that map in it reads what the controller has.
func TestGuessEndToEnd(t *testing.T) {
	field := startPymodbus(t, "tcp")
	set := func(k int) {
		demand := math.Sin(float64(k) / 5)
		noise := math.Sin(float64(k*k) * 1.7)
		field.do("set 1 input 4 %d", uint16(int16(-310+15*noise-12*demand)))
		field.do("set 1 input 5 %d", int(550+90*math.Sin(float64(k)/5-1.5)))
		field.do("set 1 holding 3 %d", uint16(0xFFFF&-310))
		field.do("set 1 discrete 6 0")
		field.do("set 1 input 9 %d", 4711)
	}
	set(0)
	file := writeFleet(t, strings.ReplaceAll(configured("tcp://127.0.0.1:"+field.port), `setpoint = "-30 Pa"`, `setpoint = "-31 Pa"`))
	done, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for k := 1; ; k++ {
			select {
			case <-tick.C:
				set(k)
			case <-done:
				return
			}
		}
	}()
	status, out, stderr := runCommand(t, "points", "--config", file, "--fan", "healthy", "--guess", "--for", "4s", "--count", "16", "--name", "riser")
	close(done)
	<-stopped
	if status != allWell || !strings.Contains(stderr, "writing nothing") {
		t.Fatalf("status %d, %s\n%s", status, stderr, out)
	}
	shows(t, out, `^# input: 3 of 16 addresses answered\.$`, `(?s)points\.pressure\]\ntable = "input"\naddress = 4\ntype = "int16"\nscale = 0\.1\nunit = "Pa"$`,
		`(?s)points\.speed\]\ntable = "input"\naddress = 5\ntype = "uint16"\nscale = 0\.1\nunit = "%"$`, `points\.setpoint\]\ntable = "holding"\naddress = 3$`,
		`^# Proof on these looks: pass`, `a known pressure on the probe`)

	text := configured("tcp://127.0.0.1:" + field.port)
	head, rest, _ := strings.Cut(text, "[pointmaps.riser]")
	_, tail, _ := strings.Cut(rest, "[[buildings]]")
	status, out, stderr = runCommand(t, "points", "--config", writeFleet(t, head+out+"\n[[buildings]]"+tail), "--fan", "healthy")
	if status != allWell {
		t.Errorf("status %d, %s", status, stderr)
	}
	shows(t, out, `^pressure +1 input +4 .* good`, `^speed +1 input +5 .* good`, `^setpoint +1 holding +3 +FECA +-31 Pa`)

	// A fan that stands still tells nothing, and nothing is proposed.
	status, out, _ = runCommand(t, "points", "--config", file, "--gateway", "roof", "--unit", "1", "--guess", "--for", "300ms", "--count", "16")
	if status != foundWrong || !strings.Contains(out, "No register moved") || strings.Contains(out, "\n[pointmaps") {
		t.Errorf("status %d:\n%s", status, out)
	}
}

func TestGuessSaysWhatItIsNotGiven(t *testing.T) {
	file := fleetOf(t, "tcp://192.0.2.1:502")
	for _, c := range []struct{ flags, says string }{
		{"", "--fan ID, or --gateway ID and --unit N"},
		{"--gateway roof", "--unit N"},
		{"--gateway rof --unit 1", `no gateway "rof"`},
		{"--fan helathy", "helathy"},
		{"--fan healthy --gateway roof", "both given"},
		{"--fan healthy --table inputs", "--table"},
		{"--fan healthy --from 65535 --count 2", "0 to 65535"},
		{"--fan healthy --for 0s", "--for must be above zero"},
		{"--fan healthy --name a.b", "cannot name a point map"},
	} {
		args := append([]string{"points", "--config", file, "--guess"}, strings.Fields(c.flags)...)
		if status, _, stderr := runCommand(t, args...); status != couldNotRun || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d, %s", c.flags, status, stderr)
		}
	}
}
