package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/daemon"
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
	for _, f := range h.fans {
		if err := turnover.Allowed(f); err != nil {
			return fmt.Errorf("%s is not exercised: %w", f.ID, err)
		}
		if err := turnover.FitsIn(f, turnover.Steps(f, toStop, h.hold), h.hold); err != nil {
			return fmt.Errorf("%s is not exercised: %w", f.ID, err)
		}
	}
	return nil
}

// exercise asks, and forces the fans one after the other through their speeds.
func (h *handover) exercise(ctx context.Context, toStop bool) (good bool, err error) {
	ctx, end := h.untilHangup(ctx)
	defer end()
	if !h.confirmed(toStop) {
		return false, errors.New("not confirmed; nothing was written")
	}
	good = true
	h.courses = make(map[reading.FanID]*turnover.Course)
	for _, f := range h.fans {
		if ctx.Err() != nil {
			return false, nil
		}
		good = h.exerciseFan(ctx, f, toStop) && good
	}
	return good, nil
}

// untilHangup ends ctx when the terminal goes, and lets no broken pipe end the
// program: a fan that is forced must be given back first.
func (h *handover) untilHangup(ctx context.Context) (context.Context, func()) {
	pipes := make(chan os.Signal, 1)
	signal.Notify(pipes, syscall.SIGPIPE)
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-h.p.hangup:
		case <-ctx.Done():
		}
		cancel()
	}()
	return ctx, func() { cancel(); signal.Stop(pipes) }
}

// confirmed asks whether the area is clear, and takes nothing but the word and the
// fans for it.
func (h *handover) confirmed(toStop bool) bool {
	ids := make([]string, len(h.fans))
	for i, f := range h.fans {
		ids[i] = string(f.ID)
	}
	want := "clear " + strings.Join(ids, " ")
	what := "from their lowest speed to their top and back"
	if toStop {
		what += ", and to a stop"
	}
	fmt.Fprintf(h.p.stderr, `
These fans will be forced %s: %s.
  - Nobody may work on them, on their ducts or at their outlets meanwhile. This is no lock-out:
    software that stops or drives a fan isolates no energy.
  - Those who depend on their exhaust must know, and agree.
  - Local codes and licensed practice come first.
%sIf all of that is so, type: %s
> `, what, strings.Join(ids, ", "), h.unbounded(), want)
	line, err := bufio.NewReader(h.p.stdin).ReadString('\n')
	return (err == nil || line != "") && strings.Join(strings.Fields(line), " ") == want
}

// unbounded names the fans that no pressure stops.
func (h *handover) unbounded() string {
	says := ""
	for _, f := range h.fans {
		if f.AbortPressure == nil {
			says += fmt.Sprintf("  - %s has no abort_pressure in the fleet file: no pressure will stop its exercise.\n", f.ID)
		}
	}
	return says
}

// exerciseFan exercises one fan and prints what that proved.
func (h *handover) exerciseFan(ctx context.Context, f *config.Fan, toStop bool) bool {
	v := visit.New(f.Gateway, daemon.Dial(zap.NewNop()))
	defer v.Close()
	e := h.forcing(v, f)
	e.Steps = turnover.Steps(f, toStop, h.hold)
	course, err := e.Run(ctx)
	if course == nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: %s was not exercised: %v\n", f.ID, err)
		return false
	}
	h.courses[f.ID] = course
	seen := turnover.Judge(h.fleet, f, course)
	fmt.Fprintf(h.p.stdout, "\n  exercise of %s\n", f.ID)
	printSeen(h.p.stdout, seen)
	good := err == nil && course.Stopped == ""
	if course.Stopped != "" {
		fmt.Fprintf(h.p.stdout, "    it was ended early: %s\n", course.Stopped)
	}
	if err != nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: %v\n%s\n", err, h.remedy(f))
	}
	for _, s := range seen {
		good = good && s.Verdict != turnover.Fail
	}
	return good
}

// forcing is an exercise of a fan that notes on disk what it is about to do.
func (h *handover) forcing(v *visit.Visit, f *config.Fan) *turnover.Exercise {
	return &turnover.Exercise{Fan: f, Driver: visit.NewDriver(v, f), Hold: h.hold, Units: h.fleet.Units,
		Intend: func() error { return intend(h.fleet.Store.Dir, f.ID) },
		Done:   func() error { return undone(h.fleet.Store.Dir, f.ID) },
		Tell: func(format string, args ...any) {
			fmt.Fprintf(h.p.stderr, "%s: "+format+"\n", append([]any{f.ID}, args...)...)
		}}
}

// release gives back what an exercise left forced.
func (h *handover) release(ctx context.Context) int {
	ctx, end := h.untilHangup(ctx)
	defer end()
	status := allWell
	for _, f := range h.fans {
		if err := turnover.Releasable(f); err != nil {
			return h.cannot(fmt.Errorf("%s cannot be released: %w", f.ID, err))
		}
		v := visit.New(f.Gateway, daemon.Dial(zap.NewNop()))
		if err := h.forcing(v, f).Release(ctx); err != nil {
			fmt.Fprintf(h.p.stderr, "fanwarden turnover: %v\n%s\n", err, h.remedy(f))
			status = foundWrong
		}
		v.Close()
	}
	return status
}

// remedy says what to do with a fan that may still be forced.
func (h *handover) remedy(f *config.Fan) string { return remedy(f.ID, h.path) }
