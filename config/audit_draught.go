package config

import (
	"fmt"
	"math"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// atmosphere is the standard atmosphere at sea level, in Pa.
const atmosphere = 101325

// zeroCelsius in kelvin.
const zeroCelsius = 273.15

// stackEffect returns the pressure difference, in Pa, that the draught of a
// column of air of height h (m) makes between its ends, with the temperatures
// outside and inside in degrees Celsius. It is above zero where the column is
// the warmer one and draws upwards.
//
// Source: ASHRAE Handbook, Fundamentals, chapter 16:
// dp = 0.0342 p_atm h (1/To - 1/Ti), kelvin.
func stackEffect(h, outside, inside float64) float64 {
	return 0.0342 * atmosphere * h * (1/(outside+zeroCelsius) - 1/(inside+zeroCelsius))
}

// season is a day on which draught is at its strongest.
type season struct {
	name            string
	outside, inside float64 // C
}

// seasons are examples of a cold and of a hot climate, not of any one place:
// 0 F outside and 70 F inside, 95 F outside and 75 F inside. A warning states
// them, so that a reader can put the place's own in their stead.
func seasons() [2]season {
	return [2]season{
		{"winter", (0 - 32) / 1.8, (70 - 32) / 1.8},
		{"summer", (95 - 32) / 1.8, (75 - 32) / 1.8},
	}
}

// standstill returns the furthest that draught can move the reading of a
// stopped fan away from 0, in Pa. The reading lies anywhere between 0 and it.
//
// The fan stands at the top of its riser and the probe just below it, on the
// suction side. Riser and rooms are at the temperature inside. In winter the
// riser draws: air flows from the rooms up the riser and out through the
// stopped fan, and the whole draught is spent on the way, a part of it between
// rooms and probe, the rest between probe and open air; how it is divided
// depends on grilles, leaks and dampers and is not known, so a bound is all
// that can be given.
//
//   - Reference outdoor: the probe reads the rest, which is still to be spent.
//     It lies between 0 (nothing in the way out) and the whole draught (a
//     closed damper above the probe): the reading moves up.
//   - Reference indoor, at the level of the probe: the probe reads what is
//     spent already. It lies between 0 (the damper is closed and nothing flows)
//     and minus the whole draught: the reading moves down.
//
// In summer the flow is the other way and so are the signs.
func standstill(reference Reference, draught float64) float64 {
	if reference == Indoor {
		return -draught
	}
	return draught
}

// draught asks whether the draught of the riser alone can start an idle fan
// or keep it from starting.
func (a *audit) draught(f *Fan) {
	known := f.GoesIdle && f.HasRestartRise && f.HasSetpoint && f.RiserHeight > 0 && f.Reference != UnknownReference
	if !known || f.Probe == Discharge || f.restartPoint() <= 0 {
		return // at or below 0 it starts itself, whatever the draught
	}
	for _, s := range seasons() {
		draught := stackEffect(f.RiserHeight, s.outside, s.inside)
		reading := standstill(f.Reference, draught)
		day := fmt.Sprintf("in %s (%s outside, %s inside) the draught of a riser of %s", s.name, a.degrees(s.outside),
			a.degrees(s.inside), a.fleet.Units.Format(f.RiserHeight, units.Length))
		if reading >= f.restartPoint() {
			a.warn(f, "restart_rise", fmt.Sprintf("%s can bring a stopped fan's reading up to %s, past its restart point of %s: draught alone can set off a restart",
				day, a.pressure(reading), a.pressure(f.restartPoint())),
				"raise restart_rise, or let the probe's reference breathe "+a.other(f.Reference)+" if the site allows")
			continue
		}
		a.heldOff(f, reading, day)
	}
}

// heldOff: draught can keep the reading so low that demand does not bring it to
// the restart point. That is so where it holds the setpoint by itself, or where
// more is missing than branch fans push.
func (a *audit) heldOff(f *Fan, reading float64, day string) {
	push := f.restartPoint() - reading
	most := f.Rules[condition.InvertedSign].Own[condition.BeyondPushes]
	holdsSetpoint := reading <= f.Setpoint
	if reading >= 0 || !holdsSetpoint && (push <= most || f.restartPoint() > most) {
		return
	}
	why := fmt.Sprintf("branch fans must push %s to reach the restart point of %s", a.pressure(push), a.pressure(f.restartPoint()))
	if holdsSetpoint {
		why = "that is past its setpoint with the fan stopped, and " + why
	}
	a.warn(f, "restart_rise", fmt.Sprintf("%s can hold a stopped fan's reading down at %s; %s: draught alone can hold off a restart",
		day, a.pressure(reading), why), "lower restart_rise, or let the probe's reference breathe "+a.other(f.Reference)+" if the site allows")
}

func (a *audit) other(r Reference) string {
	if r == Indoor {
		return "outdoors"
	}
	return "indoors"
}

func (a *audit) degrees(c float64) string {
	return a.fleet.Units.Format(math.Round(c*10)/10, units.Temperature)
}
