package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/config"
	"fanwarden/rules/turnover"
)

// release gives back what an exercise left forced. One fan that cannot be given
// back leaves no other one forced.
func (h *handover) release(ctx context.Context) int {
	status := allWell
	for _, f := range h.fans {
		if err := h.mayRelease(ctx, f); err != nil {
			status = h.cannot(fmt.Errorf("%s cannot be released: %w", f.ID, err))
			continue
		}
		v := visiting(f.Gateway, h.p.stderr)
		e, _ := h.forcing(v, f)
		if err := e.Release(ctx); err != nil {
			fmt.Fprintf(h.p.stderr, "fanwarden turnover: %v\n%s\n", err, indented(forced.Advice(f.ID, h.fleet)))
			status = max(status, foundWrong)
		}
		v.Close()
	}
	return status
}

// mayRelease reports why a fan may not be given back: another program forces it now
// and will give it back, or nothing gives it back where it was forced.
func (h *handover) mayRelease(ctx context.Context, f *config.Fan) error {
	notes, err := forced.List(h.fleet.Store.Dir)
	if err != nil {
		return fmt.Errorf("%w; see to that, or set the fan back to automatic at its controller", err)
	}
	for _, n := range notes {
		switch {
		case n.Fan != f.ID:
			continue
		case n.Alive:
			return errors.New("another program exercises it now; end that one, and it gives the fan back")
		}
		return cmp.Or(turnover.Releasable(f), n.Elsewhere(turnover.Writes(f)))
	}
	return h.mayReleaseUnasked(ctx, f)
}

// mayReleaseUnasked is mayRelease of a fan that no exercise is known to have forced.
// Then somebody else may have, and what may not be exercised is not written to.
func (h *handover) mayReleaseUnasked(ctx context.Context, f *config.Fan) error {
	const unknown = "no exercise is known to have left it forced"
	if err := cmp.Or(turnover.Allowed(f), turnover.Alone(h.fleet, f)); err != nil {
		return fmt.Errorf("%s, and %w", unknown, err)
	}
	fmt.Fprintf(h.p.stderr, "%s: %s. Whoever forces it may be at work on it, and it may start.\nIf it may be given back, type: release %s\n> ", f.ID, unknown, f.ID)
	if h.typed(ctx) != "release "+string(f.ID) {
		return errors.New("not confirmed; nothing was written")
	}
	return nil
}
