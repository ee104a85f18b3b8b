package turnover

import (
	"context"
	"fmt"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// On BACnet a fan is forced by a command at one priority of its outputs, and given
// back by relinquishing that (clause 19.2): what others command stays as it is.

// onBACnet reports whether a fan is forced through BACnet objects.
func onBACnet(f *config.Fan) bool {
	p, mapped := f.Placed(reading.ForceSpeed)
	return mapped && p.BACnet()
}

// outputs are those that an exercise commands, that which lets the speed count first:
// in this order they are given back.
func outputs(f *config.Fan) (all []config.PlacedPoint) {
	for _, point := range []reading.Point{reading.ForceOn, reading.ForceSpeed} {
		if p, mapped := f.Placed(point); mapped {
			all = append(all, p)
		}
	}
	return all
}

// relinquish takes back what was commanded and reads back that nothing is left.
func (e *Exercise) relinquish(ctx context.Context) error {
	for _, p := range outputs(e.Fan) {
		if err := e.write(ctx, p, nil); err != nil {
			return fmt.Errorf("%s was not relinquished: %w", p.Point, err)
		}
	}
	if err := e.relinquished(ctx); err != nil {
		return fmt.Errorf("after the release: %w", err)
	}
	return nil
}

// relinquished reads that nothing stands at the priorities of the outputs.
func (e *Exercise) relinquished(ctx context.Context) error {
	for _, p := range outputs(e.Fan) {
		words, err := e.read(ctx, p)
		if err != nil {
			return fmt.Errorf("priority %d of %s could not be read: %w", p.Priority, p.Object, err)
		}
		if words != nil {
			v, _ := p.Encoding.Decode(words)
			return fmt.Errorf("%s is commanded at priority %d, to %s", p.Object, p.Priority, newTrace(e.Fan, e.Units, nil).write(p.Point, v))
		}
	}
	return nil
}
