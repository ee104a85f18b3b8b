package field

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// solved is how near to the solution a riser's pressure is, in Pa: the last step
// is under 0.005 Pa, and where a flap closes within it the slope falls to a few
// hundredths of what the step was reckoned with.
const solved = 0.005 / flapShare

// Whatever the riser, what flows in flows out.
func TestThePressureSolvesTheFlowBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, fans, outside := anyDuct(t)
		d.solve(fans, outside)
		below, _ := d.balance(fans, outside, d.level-solved)
		above, _ := d.balance(fans, outside, d.level+solved)
		if !(below >= 0 && above <= 0) {
			t.Fatalf("at %v Pa %v m3/s are left over just below and %v just above", d.level, below, above)
		}
	})
}

func anyDuct(t *rapid.T) (*duct, []outflow, float64) {
	d := &duct{leak: rapid.Float64Range(1e-4, 0.5).Draw(t, "leak"), branch: rapid.Float64Range(0, 0.5).Draw(t, "branch"),
		push: rapid.Float64Range(0, 120).Draw(t, "push"), level: rapid.Float64Range(-900, 300).Draw(t, "level")}
	var fans []outflow
	for range rapid.IntRange(1, 4).Draw(t, "fans") {
		w := testWheel()
		speed := rapid.Float64Range(0, 1).Draw(t, "speed")
		fans = append(fans, outflow{head: w.shutoff * speed * speed, conductance: w.conductance(speed), back: flapShare})
	}
	return d, fans, rapid.Float64Range(-150, 80).Draw(t, "outside")
}

// The pressure is not a formula of speed: a faster fan lowers it, more
// branches and more leakage bring it nearer to the rooms or beyond, and another
// fan helps.
func TestWhatMovesThePressure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, fans, outside := anyDuct(t)
		level := func() float64 {
			d.solve(fans, outside)
			return d.level
		}
		before := level()
		d.branch += 0.05
		if more := level(); more < before-solved && before < d.push {
			t.Fatalf("a branch that opens lowers the pressure from %v to %v", before, more)
		}
		d.branch -= 0.05
		fans[0].head += 100
		if faster := level(); faster > before+solved {
			t.Fatalf("a faster fan raises the pressure from %v to %v", before, faster)
		}
		fans[0].head -= 100
		d.leak *= 2
		if leakier := level(); math.Abs(leakier) > math.Abs(before)+solved {
			t.Fatalf("a leak moves the pressure away from the rooms' from %v to %v", before, leakier)
		}
		d.leak /= 2
		w := testWheel()
		fans = append(fans, outflow{head: w.shutoff, conductance: w.conductance(1), back: flapShare})
		if helped := level(); helped > before+solved {
			t.Fatalf("another fan at full speed raises the pressure from %v to %v", before, helped)
		}
	})
}

func TestBranchesAloneFillARiserWhoseFanStands(t *testing.T) {
	w := testWheel()
	d := &duct{leak: 0.002, branch: 0.02, push: 60}
	fans := []outflow{{conductance: w.conductance(0), back: flapShare}}
	d.solve(fans, 0)
	if d.level < 30 || d.level > 60 {
		t.Errorf("branches that give 60 Pa push the riser to %.1f Pa", d.level)
	}
	d.branch = 0
	d.solve(fans, -20)
	if d.level > 0 || d.level < -20 {
		t.Errorf("a draught of 20 Pa brings an idle riser to %.1f Pa", d.level)
	}
}

func TestAnEvenBalanceIsASolution(t *testing.T) {
	d := &duct{leak: 0.01}
	d.solve([]outflow{{conductance: 0.001}}, 0)
	if d.level != 0 {
		t.Errorf("nothing moves the air and the riser is at %v Pa", d.level)
	}
}
