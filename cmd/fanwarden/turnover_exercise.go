package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// mayExercise reports why the named fans may not be exercised.
func (h *handover) mayExercise(toStop bool) error {
	if h.fleet.Store.Dir == "" {
		return errors.New("an exercise needs [store] dir in the fleet file: what is about to be forced must be on disk first")
	}
	notes, err := forced.List(h.fleet.Store.Dir)
	if err != nil {
		return err
	}
	for _, f := range h.fans {
		if slices.ContainsFunc(notes, func(n forced.Note) bool { return n.Fan == f.ID }) {
			return fmt.Errorf("%s is not exercised: it must be given back first", f.ID)
		}
		if err := turnover.Allowed(f); err != nil {
			return fmt.Errorf("%s is not exercised: %w", f.ID, err)
		}
		if err := turnover.Alone(h.fleet, f); err != nil {
			return fmt.Errorf("%s is not exercised: %w", f.ID, err)
		}
		if err := turnover.FitsIn(f, turnover.Steps(f, toStop, h.hold), h.hold); err != nil {
			return fmt.Errorf("%s is not exercised: %w", f.ID, err)
		}
	}
	return nil
}

// neighbours are the other fans behind the gateways of those that are to be
// exercised: one that is read from the same controller would be forced instead.
func (h *handover) neighbours() (others []*config.Fan) {
	for _, f := range h.fleet.Fans {
		behind := func(named *config.Fan) bool { return named.Gateway == f.Gateway && !f.Gateway.BACnet() }
		if !slices.Contains(h.fans, f) && slices.ContainsFunc(h.fans, behind) {
			others = append(others, f)
		}
	}
	if len(others) > 0 {
		fmt.Fprintf(h.p.stderr, "looking at %s as well, to tell which controller is whose\n", list(others))
	}
	return others
}

// exercise asks, and forces the fans one after the other through their speeds. The
// first that does not end as it should is the last.
func (h *handover) exercise(ctx context.Context, proven []turnover.Fan, toStop bool) (good bool, err error) {
	for i := range proven {
		if why := proven[i].Doubt; why != "" {
			return false, fmt.Errorf("%s is not exercised: it %s", proven[i].Fan.ID, why)
		}
	}
	if !h.confirmed(ctx, proven, toStop) {
		return false, errors.New("not confirmed; nothing was written")
	}
	good = true
	h.courses = make(map[reading.FanID]*turnover.Course)
	for i, f := range h.fans {
		well, goOn := h.exerciseFan(ctx, f, toStop)
		good = good && well
		if rest := h.fans[i+1:]; !goOn && len(rest) > 0 {
			fmt.Fprintf(h.p.stderr, "fanwarden turnover: %s not exercised, because the exercise of %s did not end as it should\n", wasOrWere(rest), f.ID)
		}
		if !goOn {
			return false, nil
		}
	}
	return good, nil
}

func wasOrWere(fans []*config.Fan) string {
	if len(fans) == 1 {
		return list(fans) + " was"
	}
	return list(fans) + " were"
}

func list(fans []*config.Fan) string {
	ids := make([]string, len(fans))
	for i, f := range fans {
		ids[i] = string(f.ID)
	}
	return strings.Join(ids, ", ")
}

// untilHangup ends ctx when the terminal goes, and on the keys that would suspend
// or kill the program; and it lets no broken pipe end it: a fan that is forced
// must be given back first.
func (h *handover) untilHangup(ctx context.Context) (context.Context, func()) {
	ignored, ends := make(chan os.Signal, 1), make(chan os.Signal, 1)
	signal.Notify(ignored, syscall.SIGPIPE, syscall.SIGTTIN, syscall.SIGTTOU)
	signal.Notify(ends, syscall.SIGTSTP, syscall.SIGQUIT)
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-h.p.hangup:
		case <-ends:
		case <-ctx.Done():
		}
		cancel()
	}()
	return ctx, func() { cancel(); signal.Stop(ignored); signal.Stop(ends) }
}

// confirmed asks whether the area is clear, and takes nothing but the word and the
// fans for it.
func (h *handover) confirmed(ctx context.Context, proven []turnover.Fan, toStop bool) bool {
	want := "clear " + strings.ReplaceAll(list(h.fans), ",", "")
	what, their, them := "from its lowest speed to its top and back", "its", "it"
	if len(h.fans) > 1 {
		what, their, them = "from their lowest speed to their top and back", "their", "them"
	}
	if toStop {
		what += ", and to a stop"
	}
	which := "This fan"
	if len(h.fans) > 1 {
		which, what = "These fans", what+", one after the other"
	}
	fmt.Fprintf(h.p.stderr, `
%[1]s will be forced %[2]s: %[5]s.
  - Nobody may work on %[4]s, on %[3]s ducts or at %[3]s outlets meanwhile. This is no lock-out:
    software that stops or drives a fan isolates no energy.
  - Those who depend on %[3]s exhaust must know, and agree.
  - Local codes and licensed practice come first.
%[6]sIf all of that is so, type: %[7]s
> `, which, what, their, them, list(h.fans), h.toKnow(proven), want)
	return h.typed(ctx) == want && ctx.Err() == nil
}

// typed returns the words of a line that is typed; "" when ctx ends before.
func (h *handover) typed(ctx context.Context) string {
	if h.lines == nil {
		h.lines = bufio.NewReader(h.p.stdin)
	}
	typed := make(chan string, 1)
	go func() { // a read of a terminal cannot be ended
		line, _ := h.lines.ReadString('\n')
		typed <- strings.Join(strings.Fields(line), " ")
	}()
	select {
	case line := <-typed:
		return line
	case <-ctx.Done():
		return ""
	}
}

// toKnow says what is to be known of the fans before they are forced: what did not
// pass, what no pressure stops, and who answers to them.
func (h *handover) toKnow(proven []turnover.Fan) string {
	says := ""
	for i := range proven {
		f := proven[i].Fan
		if f.AbortPressure == nil {
			says += fmt.Sprintf("  - %s has no abort_pressure in the fleet file: no pressure will stop its exercise.\n", f.ID)
		}
		for _, p := range proven[i].Proofs {
			if p.Verdict == turnover.Fail {
				says += fmt.Sprintf("  - %s: %s failed its proof, so what is read of it may not be so.\n", f.ID, p.Place.Point)
			}
		}
		for _, beside := range turnover.Beside(h.fleet, f) {
			says += fmt.Sprintf("  - %s shares the riser %q with %s, which will answer to it.\n", f.ID, f.Group, beside)
		}
	}
	return says
}

// exerciseFan exercises one fan and prints what that proved. GoOn is false where it
// did not go as it should, so that nothing more is to be forced.
func (h *handover) exerciseFan(ctx context.Context, f *config.Fan, toStop bool) (good, goOn bool) {
	if err := h.loan.renew(); err != nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: %s was not exercised: %v\n", f.ID, err)
		return false, false
	}
	v := visiting(f.Gateway, h.p.stderr)
	defer v.Close()
	e, leave := h.forcing(v, f)
	defer leave()
	e.Steps = turnover.Steps(f, toStop, h.hold)
	course, err := e.Run(ctx)
	if course == nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: %s was not exercised: %v\n", f.ID, err)
		return false, false
	}
	h.courses[f.ID] = course
	seen := turnover.Judge(h.fleet, f, course)
	fmt.Fprintf(h.p.stdout, "\n  exercise of %s\n", f.ID)
	printSeen(h.p.stdout, seen)
	if course.Stopped != "" {
		fmt.Fprintf(h.p.stdout, "    it was ended early: %s\n", course.Stopped)
	}
	if err != nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: %v\n%s\n", err, indented(forced.Advice(f.ID, h.fleet)))
	}
	good = err == nil && course.Stopped == ""
	goOn = good && ctx.Err() == nil
	for _, s := range seen {
		good = good && s.Verdict != turnover.Fail
	}
	return good, goOn
}

// forcing is an exercise of a fan that notes on disk what it is about to do. Leave
// leaves the note where the fan was not given back.
func (h *handover) forcing(v *visit.Visit, f *config.Fan) (e *turnover.Exercise, leave func()) {
	var note *forced.Held
	dir := h.fleet.Store.Dir
	e = &turnover.Exercise{Fan: f, Driver: visit.NewDriver(v, f), Hold: h.hold, Units: h.fleet.Units,
		Intend: func() (err error) { note, err = forced.Put(dir, f.ID, turnover.Writes(f)...); return err },
		Done:   func() error { return forced.Remove(dir, f.ID) },
		Tell: func(format string, args ...any) {
			fmt.Fprintf(h.p.stderr, "%s: "+format+"\n", append([]any{f.ID}, args...)...)
		}}
	return e, func() {
		if note != nil {
			note.Leave()
		}
	}
}
