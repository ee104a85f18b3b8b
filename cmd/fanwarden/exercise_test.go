package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// forcedFleet is one gateway with two fans that may be exercised.
const forcedFleet = `
[fleet]
name = "Proving ground"
poll_every = "250ms"
stale_after = "1s"
units = "metric"
[web]
listen = "127.0.0.1:0"
[store]
dir = %q
[rules.gateway_down]
hold = "1s"
[rules.controller_silent]
hold = "1s"
[pointmaps.m.points]
pressure = {table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa"}
speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%%"}
fault = {table = "discrete", address = 1}
high_speed = {table = "discrete", address = 0}
setpoint = {table = "holding", address = 3, type = "int16", scale = 0.1, unit = "Pa"}
min_speed = {table = "holding", address = 4, type = "uint16", scale = 0.1, unit = "%%"}
force_speed = {table = "holding", address = 5, type = "uint16", scale = 0.1, unit = "%%"}
force_on = {table = "coil", address = 3}
[[buildings]]
id = "b"
[[gateways]]
id = "roof"
building = "b"
url = %q
timeout = "200ms"
[[fans]]
id = "one"
unit = 1
gateway = "roof"
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
duty = "bath"
high_speed_at = "60 %%"
high_speed_off_at = "55 %%"
allow_exercise = true
abort_pressure = "-2000 Pa"
[[fans]]
id = "two"
unit = 2
gateway = "roof"
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
duty = "laundry"
allow_exercise = true
`

// ground is a simulated field of forcedFleet, which passes as fast as the steps of
// an exercise that are shorter than any in service.
type ground struct {
	*testing.T
	file, dir string
	server    *field.Server
}

func newGround(t *testing.T) *ground {
	t.Helper()
	url, _ := freeURL(t)
	g := &ground{T: t, dir: filepath.Join(t.TempDir(), "store")}
	g.file = writeFleet(t, fmt.Sprintf(forcedFleet, g.dir, url))
	fleet, good := (&process{stderr: os.Stderr}).loadFleet(g.file)
	if !good {
		t.Fatal("the fleet file is not valid")
	}
	server, err := field.Serve(context.Background(), field.New(fleet, 3, time.Now()), zap.NewNop(), field.ServeOptions{Seed: 3, Speed: 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	g.server = server
	return g
}

// isForced reports whether a fan of the field is.
func (g *ground) isForced(fan reading.FanID) (forced bool) {
	g.server.With(func(f *field.Field) {
		v, _ := f.Value(fan, reading.ForceOn)
		forced = v != 0
	})
	return forced
}

// wantForced wants the fans of the field to be forced, or notes of them: the names
// of those that are, in order.
func (g *ground) wantForced(inField, noted string) {
	g.Helper()
	var are, have []string
	for _, fan := range []reading.FanID{"one", "two"} {
		if g.isForced(fan) {
			are = append(are, string(fan))
		}
	}
	notes, err := forced.List(g.dir)
	for _, n := range notes {
		have = append(have, string(n.Fan))
	}
	if err != nil || strings.Join(are, " ") != inField || strings.Join(have, " ") != noted {
		g.Errorf("forced are %q and noted %q (%v), want %q and %q", are, have, err, inField, noted)
	}
}

// exercising is a `fanwarden turnover --exercise` in a process of its own.
type exercising struct {
	*testing.T
	cmd    *exec.Cmd
	stdin  io.WriteCloser
	stdout bytes.Buffer
	stderr io.ReadCloser
	lines  chan string
	said   []string
}

// exercise starts one and confirms it.
func (g *ground) exercise(fans ...string) *exercising {
	g.Helper()
	path, err := binary()
	if err != nil {
		g.Fatal(err)
	}
	x := &exercising{T: g.T, lines: make(chan string, 1000)}
	x.cmd = exec.Command(path, "turnover", "--config", g.file, "--for", "0s", "--exercise", "--step", "1s", "--fan", strings.Join(fans, ","), "--by", "A. Person")
	x.cmd.Stdout = &x.stdout
	x.stdin, _ = x.cmd.StdinPipe()
	x.stderr, _ = x.cmd.StderrPipe()
	if err := x.cmd.Start(); err != nil {
		g.Fatal(err)
	}
	g.Cleanup(func() { x.cmd.Process.Kill() })
	go func() {
		defer close(x.lines)
		for lines := bufio.NewScanner(x.stderr); lines.Scan(); {
			x.lines <- lines.Text()
		}
	}()
	x.await("If all of that is so, type: clear " + strings.Join(fans, " "))
	fmt.Fprintf(x.stdin, "clear %s\n", strings.Join(fans, " "))
	return x
}

// await waits until the program has said something.
func (x *exercising) await(says string) {
	x.Helper()
	deadline := time.After(patience)
	for {
		select {
		case line, open := <-x.lines:
			if !open {
				x.Fatalf("it ended before it said %q:\n%s", says, strings.Join(x.said, "\n"))
			}
			if x.said = append(x.said, line); strings.Contains(line, says) {
				return
			}
		case <-deadline:
			x.Fatalf("it did not say %q:\n%s", says, strings.Join(x.said, "\n"))
		}
	}
}

// ends waits for the end and wants its status, and what was printed.
func (x *exercising) ends(status int, says ...string) {
	x.Helper()
	for line := range x.lines {
		x.said = append(x.said, line)
	}
	x.cmd.Wait()
	all := x.stdout.String() + strings.Join(x.said, "\n")
	if is := x.cmd.ProcessState.ExitCode(); is != status {
		x.Errorf("status %d, want %d:\n%s", is, status, all)
	}
	for _, one := range says {
		if !strings.Contains(all, one) {
			x.Errorf("it does not say %q:\n%s", one, all)
		}
	}
}

// TestExercise exercises fans of a simulated field with the program as it is
// shipped. The field passes twenty seconds in one; what ends an exercise does so in
// the middle of a step.
func TestExercise(t *testing.T) {
	t.Parallel()
	if _, err := binary(); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for name, scene := range map[string]func(*ground){
		"beside a daemon": besideADaemon,
		"killed":          killedBesideADaemon,
		"ctrl-C":          func(g *ground) { g.endsBy(syscall.SIGINT) },
		"SIGTERM":         func(g *ground) { g.endsBy(syscall.SIGTERM) },
		"ctrl-Z":          func(g *ground) { g.endsBy(syscall.SIGTSTP) },
		"terminal gone":   terminalGone,
		"connection lost": connectionLost,
		"a fault":         faultOfTheFirst,
		"old values":      oldValues,
		"twins":           twins,
	} {
		all.Go(func() { t.Run(name, func(t *testing.T) { scene(newGround(t)) }) })
	}
	all.Wait()
}

// besideADaemon exercises two fans, one after the other, behind a gateway that a
// daemon polls.
func besideADaemon(g *ground) {
	d := startDaemon(g.T, g.file)
	const lent, cycles = `fanwarden_gateway_lent{building="b",gateway="roof"}`, `fanwarden_poll_duration_seconds_count{building="b",gateway="roof"}`
	metric := func(name string) func() string { return func() string { return d.metrics()[name] } }
	want(g.T, "up", "1", metric(`fanwarden_fan_up{building="b",fan="two"}`))

	x := g.exercise("one", "two")
	want(g.T, "lent", "1", metric(lent))
	seen := metric(cycles)()
	x.await("one: forcing 60 %")
	g.wantForced("one", "one")
	x.await("two: forcing 60 %")
	g.wantForced("two", "two")
	if now := metric(cycles)(); now != seen {
		g.Errorf("%s cycles while it was lent, and %s before", now, seen)
	}
	x.ends(allWell, "exercise of one", "exercise of two", "speed as forced: pass", "response: pass", "contact: pass", "limits: pass", "release: pass", "s later it ran at")
	g.wantForced("", "")
	d.await(event{Event: "gateway taken back"})
	for _, e := range d.seen {
		if e.Event == "raised" || strings.Contains(e.Event, "forced") {
			g.Errorf("told while it was lent: %+v", e)
		}
	}
	want(g.T, "lent", "0", metric(lent))
	eventually(g.T, func() error {
		if metric(cycles)() == seen {
			return fmt.Errorf("nothing is polled")
		}
		return nil
	})
	for _, fan := range []string{"one", "two"} {
		r := g.record(d, fan)
		if r.Mode != turnover.Exercised || r.Who != "A. Person" || r.Course == nil || !r.Course.Released || r.Verdict() == turnover.Fail {
			g.Errorf("of %s is kept: %.3000s", fan, said(r))
		}
	}
	d.stop()
}

// killedBesideADaemon leaves a fan forced. Whatever starts next says so, and the
// command that it names gives the fan back.
func killedBesideADaemon(g *ground) {
	const left = "this fan may still be forced: an exercise ended without giving it back"
	d := startDaemon(g.T, g.file)
	x := g.exercise("one")
	x.await("one: forcing 40 %")
	x.await("one: forcing ")
	x.cmd.Process.Kill()
	x.cmd.Wait()
	d.await(event{Event: left, Fan: "one"})
	shown := func(d *runningDaemon) func() string {
		return func() string {
			_, body := d.get("/api/v1/fans/one")
			_, command, _ := strings.Cut(body, `"remedy":"`)
			command, _, _ = strings.Cut(command, `"`)
			return command
		}
	}
	const release = "fanwarden turnover --config FILE --release --fan one"
	want(g.T, "the word about the fan", release, shown(d))
	want(g.T, "lent", "0", func() string { return d.metrics()[`fanwarden_gateway_lent{building="b",gateway="roof"}`] })
	d.stop()
	g.wantForced("one", "one")

	again := startDaemon(g.T, g.file)
	again.await(event{Event: left, Fan: "one"})
	want(g.T, "the word about the fan", release, shown(again))
	status, _, says := runCommand(g.T, "check", "--config", g.file)
	_, command, found := strings.Cut(says, "give it back with: ")
	command, _, _ = strings.Cut(command, "\n")
	if status != foundWrong || !found || !strings.Contains(says, "one MAY STILL BE FORCED: an exercise begun ") || strings.Contains(says, "two MAY") {
		g.Fatalf("status %d, check says %q", status, says)
	}
	if _, _, says := runCommand(g.T, "turnover", "--config", g.file, "--fan", "two", "--for", "0s"); !strings.Contains(says, "give it back with: "+command) {
		g.Errorf("turnover says %q", says)
	}
	if status, _, says := runCommand(g.T, "turnover", "--config", g.file, "--fan", "one", "--for", "0s", "--exercise"); status != couldNotRun || !strings.Contains(says, "one MAY STILL BE FORCED") {
		g.Errorf("status %d: an exercise of what is forced says %q", status, says)
	}
	g.wantForced("one", "one")
	path, _ := binary()
	run := exec.Command("sh", "-c", strings.Replace(command, "fanwarden", path, 1))
	if out, err := run.CombinedOutput(); err != nil || !strings.Contains(string(out), "given back, and it says so") {
		g.Errorf("%s: %v\n%s", command, err, out)
	}
	g.wantForced("", "")
	if _, _, says := runCommand(g.T, "check", "--config", g.file); strings.Contains(says, "FORCED") {
		g.Errorf("check still says %q", says)
	}
	want(g.T, "the word about the fan", "", shown(again))
	again.stop()
}

// endsBy ends an exercise in mid-step by a signal: the fan is given back, and the
// record of what was proven until then is kept.
func (g *ground) endsBy(s os.Signal) {
	x := g.exercise("one", "two")
	x.await("one: forcing 40 %")
	g.wantForced("one", "one")
	x.cmd.Process.Signal(s)
	x.ends(foundWrong, "it was ended early: it was interrupted", "two was not exercised, because the exercise of one did not end as it should")
	g.wantForced("", "")
	g.keeps("one")
}

// record is the one that the daemon shows of a fan.
func (g *ground) record(d *runningDaemon, fan string) *turnover.Record {
	g.Helper()
	_, body := d.get("/api/v1/fans/" + fan + "/turnovers")
	var kept struct {
		Turnovers []struct{ Record, Doubt string }
	}
	if err := json.Unmarshal([]byte(body), &kept); err != nil || len(kept.Turnovers) != 1 || kept.Turnovers[0].Doubt != "" {
		g.Fatalf("%v: the records of %s are %.300s", err, fan, body)
	}
	_, body = d.get(kept.Turnovers[0].Record)
	r, err := turnover.ReadRecord([]byte(body))
	if err != nil {
		g.Fatal(err)
	}
	return r
}

func said(r *turnover.Record) string {
	text, _ := json.Marshal(r)
	return string(text)
}

// keeps wants the record of an exercise that was ended early in the store.
func (g *ground) keeps(fan string) {
	g.Helper()
	d := startDaemon(g.T, g.file)
	if r := g.record(d, fan); r.Course == nil || r.Course.Stopped != "it was interrupted" || !r.Course.Released {
		g.Errorf("of %s is kept: %.3000s", fan, said(r))
	}
	d.stop()
}

// terminalGone closes what the program prints to as well, so that every line that
// it says is a broken pipe.
func terminalGone(g *ground) {
	x := g.exercise("one")
	x.await("one: forcing 40 %")
	x.stdin.Close()
	x.stderr.Close()
	x.cmd.Process.Signal(syscall.SIGHUP)
	x.cmd.Wait()
	if is := x.cmd.ProcessState; is.ExitCode() != foundWrong {
		g.Errorf("it ended with %s", is)
	}
	g.wantForced("", "")
	g.keeps("one")
}

// connectionLost switches the gateway off in mid-step. The fan is given back as soon
// as it is reached again, and pressing ctrl-C meanwhile changes nothing.
func connectionLost(g *ground) {
	x := g.exercise("one")
	x.await("one: forcing 40 %")
	if err := g.server.Put(field.Fault{Gateway: "roof", Kind: field.GatewayOff}); err != nil {
		g.Fatal(err)
	}
	x.await("one: not yet: ")
	x.cmd.Process.Signal(syscall.SIGINT)
	x.await("one: not yet: ")
	g.wantForced("one", "one")
	g.server.Clear("", "roof", field.GatewayOff)
	x.await("one: given back, and it says so")
	x.ends(foundWrong, "it was ended early: ", "release: pass")
	g.wantForced("", "")
}

// faultOfTheFirst trips the first of two fans: the second is left alone.
func faultOfTheFirst(g *ground) {
	x := g.exercise("one", "two")
	x.await("one: forcing 40 %")
	if err := g.server.Put(field.Fault{Fan: "one", Kind: field.Tripped}); err != nil {
		g.Fatal(err)
	}
	x.ends(foundWrong, "it was ended early: its controller reports a fault", "two was not exercised")
	for _, line := range x.said {
		if strings.HasPrefix(line, "two: ") {
			g.Errorf("it says %q", line)
		}
	}
	g.wantForced("", "")
}

// refused wants an exercise to be refused after the proof, before the question.
func (g *ground) refused(file, lasts, says string) {
	g.Helper()
	status, _, said := runCommand(g.T, "turnover", "--config", file, "--fan", "one", "--for", lasts, "--exercise")
	if status != couldNotRun || !strings.Contains(said, says) || strings.Contains(said, "type: ") {
		g.Errorf("status %d: %s\nwant %q", status, said, says)
	}
	g.wantForced("", "")
}

// oldValues lets the gateway repeat what it once read: what is forced then could not
// be seen.
func oldValues(g *ground) {
	if err := g.server.Put(field.Fault{Gateway: "roof", Kind: field.RepeatsOld}); err != nil {
		g.Fatal(err)
	}
	g.refused(g.file, "26s", "one is not exercised: it is read through gateway roof, which repeats old values")
}

// twins puts a gateway before the field that asks the first controller for both
// fans: the one that is not named tells.
func twins(g *ground) {
	fleet, _ := (&process{stderr: os.Stderr}).loadFleet(g.file)
	url := oneForAll(g.T, fleet.Gateways[0].Address)
	text, err := os.ReadFile(g.file)
	if err != nil {
		g.Fatal(err)
	}
	g.refused(writeFleet(g.T, strings.Replace(string(text), fleet.Gateways[0].URL, url, 1)), "12s", "which of them would be forced cannot be told")
}

// oneForAll is a gateway that passes every request on to unit 1 at an address.
func oneForAll(t *testing.T, address string) (url string) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	pass := func(near net.Conn) {
		defer near.Close()
		far, err := net.Dial("tcp", address)
		if err != nil {
			return
		}
		defer far.Close()
		frame := make([]byte, 300)
		for { // transaction (2), protocol (2), length (2), unit (1), and the rest
			n, err := near.Read(frame)
			if err != nil || n < 7 {
				return
			}
			unit := frame[6]
			frame[6] = 1
			far.Write(frame[:n])
			if n, err = far.Read(frame); err != nil || n < 7 {
				return
			}
			frame[6] = unit
			near.Write(frame[:n])
		}
	}
	go func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			go pass(near)
		}
	}()
	return "tcp://" + listener.Addr().String()
}

// TestALoanOutlivesItsDaemon: what was proven is kept by whoever runs when it is
// done, and a daemon that was started meanwhile lends too.
func TestALoanOutlivesItsDaemon(t *testing.T) {
	t.Parallel()
	g := newGround(t)
	fleet, _ := (&process{stderr: os.Stderr}).loadFleet(g.file)
	d := startDaemon(t, g.file)
	l, err := borrow(fleet, fleet.Gateways, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	d.stop()
	if err := l.keep([]byte(sealed("one", began))); err != nil {
		t.Errorf("without a daemon: %v", err)
	}
	again := startDaemon(t, g.file)
	if err := l.keep([]byte(sealed("two", began))); err != nil {
		t.Errorf("with another daemon: %v", err)
	}
	if first, err := l.first("one"); err != nil || len(first) == 0 {
		t.Errorf("the first record is %s, %v", first, err)
	}
	lent := func() string { return again.metrics()[`fanwarden_gateway_lent{building="b",gateway="roof"}`] }
	want(t, "lent", "0", lent)
	if err := l.renew(); err != nil {
		t.Error(err)
	}
	want(t, "lent", "1", lent)
	if err := l.renew(); err != nil { // it has it already
		t.Error(err)
	}
	g.record(again, "one")
	g.record(again, "two")
	again.stop()
}

var began = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
