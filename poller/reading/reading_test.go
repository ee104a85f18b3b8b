package reading

import (
	"testing"
)

func TestNamesOfPointsAndOutcomesLeadBack(t *testing.T) {
	seen := make(map[string]bool)
	for p := range Point(Points) {
		found, ok := FindPoint(p.String())
		if !ok || found != p || seen[p.String()] || p.String() == "" {
			t.Errorf("point %d, %q", p, p)
		}
		seen[p.String()] = true
	}
	for o := range Outcome(Outcomes) {
		if found, ok := FindOutcome(o.String()); !ok || found != o {
			t.Errorf("outcome %d, %q", o, o)
		}
	}
	if _, ok := FindPoint("presure"); ok {
		t.Error("a point that is none")
	}
}

func TestAContactIsOnOrOffOnlyIfItIsKnown(t *testing.T) {
	var r Reading
	if r.On(Enable) || r.Off(Enable) || r.Quality(Enable) != NotMapped {
		t.Error("a contact that is not mapped is on or off")
	}
	r.Set(Enable, 1)
	if !r.On(Enable) || r.Off(Enable) {
		t.Error("a closed contact")
	}
	r.Set(Enable, 0)
	if r.On(Enable) || !r.Off(Enable) {
		t.Error("an open contact")
	}
	r.Mark(Enable, Stale)
	if r.On(Enable) || r.Off(Enable) {
		t.Error("a stale contact is on or off")
	}
}

func TestAMarkedPointHasNoValueLeft(t *testing.T) {
	var r Reading
	r.Set(Pressure, -30)
	r.Mark(Pressure, Unanswered)
	if v, good := r.Get(Pressure); v != 0 || good {
		t.Errorf("%v %v", v, good)
	}
	r.Clear()
	if r.Quality(Pressure) != NotMapped {
		t.Error("a cleared reading has a quality")
	}
}

func TestAReadingThatIsOldHasNoGoodValues(t *testing.T) {
	var r Reading
	r.Set(Pressure, -30)
	r.Mark(Speed, Unanswered)
	r.Age()
	if r.Quality(Pressure) != Stale || r.Quality(Speed) != Unanswered || r.Quality(RPM) != NotMapped {
		t.Errorf("%v %v %v", r.Quality(Pressure), r.Quality(Speed), r.Quality(RPM))
	}
}

// A gateway that says that its unit is silent (exceptions 0A and 0B; Modbus
// Application Protocol V1.1b3, section 7) has answered itself.
func TestWhoAnswered(t *testing.T) {
	for o, want := range map[Outcome][2]bool{OK: {true, true}, Invalid: {true, true}, Exception: {true, true},
		UnitSilent: {false, true}, PathUnavailable: {false, true}, Timeout: {}, Refused: {}, Reset: {}, Garbled: {}} {
		if got := [2]bool{o.Answered(), o.GatewayAnswered()}; got != want {
			t.Errorf("%s: fan and gateway answered %v, want %v", o, got, want)
		}
	}
}
