package visit

import (
	"context"
	"errors"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// Driver is the way of an exercise to one fan.
type Driver struct{ *Looker }

// NewDriver returns the driver of a fan behind the visited gateway.
func NewDriver(v *Visit, f *config.Fan) *Driver { return &Driver{NewLooker(v, f)} }

// Look reads the fan; what it controls and its speed must answer.
func (d *Driver) Look(ctx context.Context) (turnover.Look, error) {
	look, err := d.Looker.Look(ctx)
	if err != nil {
		return look, err
	}
	for i, p := range d.points {
		if failure := look.Answers[i].Failure; failure != nil && (p.Point == reading.Speed || p.Point == d.fan.Controlled() || p.Point == reading.VelocityPressure) {
			return look, failure
		}
	}
	return look, nil
}

// Read reads one point; of a BACnet output what stands at its priority, nil where
// nothing does.
func (d *Driver) Read(ctx context.Context, p config.PlacedPoint) ([]uint16, error) {
	if p.BACnet() && p.Point.Output() {
		return d.visit.commanded(ctx, p)
	}
	if a := d.visit.Ask(ctx, p, false); a.Failure != nil {
		return nil, a.Failure
	} else {
		return a.Words, nil
	}
}

// Write writes one point, which must be one that an exercise may write; no words
// relinquish a BACnet output at its priority.
func (d *Driver) Write(ctx context.Context, p config.PlacedPoint, words []uint16) error {
	switch {
	case !p.Point.Output():
		return errors.New("only force_speed and force_on are ever written")
	case p.BACnet():
		return d.visit.command(ctx, p, words)
	}
	return d.visit.Write(ctx, p.Unit, p.Table, p.Address, words)
}
