package turnover

import (
	"fmt"
	"strings"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Instrument is a reference that readings were compared with.
type Instrument struct {
	Name       string `json:"name"`
	Serial     string `json:"serial"`
	Calibrated string `json:"calibrated"` // a date, as it stands on its certificate
}

// Task is a proof that takes hands: what is to be done, and what then ought to be
// read. What came of it is written on paper, beside the signatures.
type Task struct {
	What   string `json:"what"`
	Do     string `json:"do"`
	Expect string `json:"expect"`
}

// cautions stand on every record.
var cautions = []string{
	"A pass says that a point reads what is there, as far as it was seen. Local codes and licensed practice decide what must be tested, by whom, and whether a fan may be used.",
	"Software that stops a fan isolates no energy, and a wheel that turns in the wind is stored energy: lock out and tag out before anyone reaches in (29 CFR 1910.147).",
	"Work near the edge of a roof needs protection from falling (29 CFR 1910.28(b)(13)).",
}

// tasks are the proofs of a fan that nothing but hands can make. They are common
// practice of the trade: zero and a known pressure prove the sensor and its tubes, a
// pulled plug that silence is seen, a wrong address that no other unit answers in
// the fan's place, and a slow ramp where the contact makes and breaks.
func tasks(t *trace) []Task {
	var all []Task
	f := t.fan
	for _, p := range []reading.Point{reading.Pressure, reading.VelocityPressure} {
		if _, mapped := f.Placed(p); !mapped {
			continue
		}
		name := strings.ReplaceAll(p.String(), "_", " ")
		all = append(all,
			Task{"Zero of the " + name, "Take both tubes off and leave them open.", fmt.Sprintf("%s, within two counts (%s)", t.write(p, 0), t.write(p, 2*f.Count(p)))},
			Task{"A known " + name, "With a hand pump and the instrument on the tube from the duct: press, then draw.", "What the instrument says, above zero when pressed and below zero when drawn"})
	}
	if _, mapped := f.Placed(reading.HighSpeed); mapped {
		makes, breaks := "", ""
		if f.HasHighSpeed {
			makes = " at " + t.write(reading.Speed, f.HighSpeedAt)
		}
		if f.HasHighSpeed && f.HighSpeedOffAt < f.HighSpeedAt {
			breaks = " at " + t.write(reading.Speed, f.HighSpeedOffAt)
		}
		all = append(all, Task{"High-speed contact", "Raise the speed slowly until it closes, then lower it slowly until it opens.",
			fmt.Sprintf("Makes once%s and breaks once%s, the break below the make, without chatter", makes, breaks)})
	}
	return append(all,
		Task{"Loss of communication", "Unplug the line of the controller, wait, and plug it in again.",
			fmt.Sprintf("No value older than %s is shown, controller_silent is raised, and clears", units.Span(f.Gateway.StaleAfter))},
		Task{"A wrong address", fmt.Sprintf("Switch the controller off and read unit %d.", f.Unit), "Nothing answers: no other unit has this address"})
}
