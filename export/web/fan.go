package web

import (
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// fanAnswer is what JSON says of one fan.
type fanAnswer struct {
	Time       *time.Time `json:"time,omitempty"` // of the answer, where it is about this fan only
	ID         string     `json:"id"`
	Name       string     `json:"name"`
	Building   string     `json:"building"`
	Gateway    string     `json:"gateway"`
	Unit       int        `json:"unit"`
	PointMap   string     `json:"pointmap"`
	Location   string     `json:"location,omitempty"`
	Serves     string     `json:"serves,omitempty"`
	Duty       string     `json:"duty,omitempty"`
	Group      string     `json:"group,omitempty"`
	Role       string     `json:"role,omitempty"`
	Controls   string     `json:"controls"`
	Probe      string     `json:"probe"`
	LifeSafety bool       `json:"life_safety"`

	LeftForced *leftForcedAnswer `json:"left_forced,omitempty"` // by an exercise that ended without giving it back

	Up       *bool      `json:"up"` // null before the first poll
	Outcome  string     `json:"outcome,omitempty"`
	Polled   *time.Time `json:"polled"`
	LastGood *time.Time `json:"last_good"`
	Mode     string     `json:"mode"`

	Read         *time.Time        `json:"read"`             // when the values were read
	Age          *float64          `json:"age_s"`            // of the values
	Values       map[string]any    `json:"values"`           // fresh and good ones only
	Missing      map[string]string `json:"missing"`          // the quality of every other mapped point
	Points       []pointAnswer     `json:"points,omitempty"` // where the answer is about this fan only
	SetpointPa   *float64          `json:"setpoint_pa,omitempty"`
	SetpointM3s  *float64          `json:"setpoint_m3s,omitempty"`
	SetpointFrom string            `json:"setpoint_from,omitempty"` // controller or fleet_file
	TolerancePa  *float64          `json:"tolerance_pa,omitempty"`  // how far from setpoint the value may be
	ToleranceM3s *float64          `json:"tolerance_m3s,omitempty"`

	Conditions []conditionAnswer `json:"conditions"`
	Suppressed []conditionAnswer `json:"suppressed"`
}

// pointAnswer is what JSON says of one mapped point of a fan.
type pointAnswer struct {
	Point   string   `json:"point"`
	Quality string   `json:"quality"`
	Value   any      `json:"value,omitempty"` // in Unit; absent unless the quality is good
	Unit    string   `json:"unit,omitempty"`
	Age     *float64 `json:"age_s"`
}

// leftForcedAnswer is the word about a fan that an exercise may have left forced.
type leftForcedAnswer struct {
	Since  *time.Time `json:"since"`  // null where the note on disk does not tell
	Remedy string     `json:"remedy"` // the command that gives it back
}

func describeLeftForced(f *export.Fan) *leftForcedAnswer {
	if f.LeftForced == nil {
		return nil
	}
	return &leftForcedAnswer{known(*f.LeftForced), "fanwarden turnover --config FILE --release --fan " + string(f.Fan.ID)}
}

func describeFan(f *export.Fan, now time.Time) fanAnswer {
	c := f.Fan
	a := fanAnswer{ID: string(c.ID), Name: c.Name, Building: string(c.Building.ID), Gateway: string(c.Gateway.ID),
		Unit: c.Unit, PointMap: c.PointMap.Name, Location: c.Location, Serves: c.Serves, Duty: string(c.Duty),
		Group: c.Group, Role: string(c.Role), Controls: c.Controlled().String(), Probe: c.ProbeSide(),
		LifeSafety: c.LifeSafety, Polled: known(f.Polled), LastGood: known(f.LastGood), Mode: f.ModeAt(now).String(),
		Read: known(f.Values.Time), Age: age(f, now), Values: map[string]any{}, Missing: map[string]string{}}
	if !f.Polled.IsZero() {
		up := f.Up(now)
		a.Up, a.Outcome = &up, f.Outcome.String()
	}
	for _, p := range shownPoints(c) {
		if value, ok := f.Fresh(p, now); ok {
			a.Values[p.String()+suffix(c, p)] = number(p, value)
		} else {
			a.Missing[p.String()] = quality(f, p, now)
		}
	}
	a.setpoint(f, now)
	a.Conditions, a.Suppressed = describeConditions(f.Standing)
	a.LeftForced = describeLeftForced(f)
	return a
}

// setpoint tells what the fan is to hold, who says so, and within what.
func (a *fanAnswer) setpoint(f *export.Fan, now time.Time) {
	value, ok := f.Setpoint(now)
	if !ok {
		return
	}
	a.SetpointFrom = "fleet_file"
	if _, own := f.Fresh(reading.Setpoint, now); own {
		a.SetpointFrom = "controller"
	}
	tolerance := f.Fan.Tolerance().At(value)
	if f.Fan.ControlsAirflow {
		a.SetpointM3s, a.ToleranceM3s = &value, &tolerance
	} else {
		a.SetpointPa, a.TolerancePa = &value, &tolerance
	}
}

func describePoints(f *export.Fan, now time.Time) []pointAnswer {
	points := shownPoints(f.Fan)
	all := make([]pointAnswer, len(points))
	for i, p := range points {
		all[i] = pointAnswer{Point: p.String(), Quality: quality(f, p, now), Age: age(f, now)}
		if value, ok := f.Fresh(p, now); ok {
			all[i].Value, all[i].Unit = number(p, value), baseUnit(dimension(f.Fan, p))
		}
	}
	return all
}

// shownPoints lists the fan's points that a poll reads, and the airflow that
// is worked out from a velocity pressure.
func shownPoints(f *config.Fan) []reading.Point {
	var points []reading.Point
	derived := f.ControlsAirflow
	for _, placed := range f.Points {
		if !placed.Point.Output() {
			points = append(points, placed.Point)
		}
		derived = derived && placed.Point != reading.Airflow
	}
	if derived {
		points = append(points, reading.Airflow)
	}
	return points
}

// quality says what a mapped point's last value is worth now.
func quality(f *export.Fan, p reading.Point, now time.Time) string {
	if f.Values.Time.IsZero() {
		return "never_read"
	}
	switch q := f.Values.Quality(p); {
	case q == reading.NotMapped: // mapped since, or not read in every cycle
		return "never_read"
	case now.Sub(f.Values.Time) > f.Fan.Gateway.StaleAfter:
		return reading.Stale.String()
	case q != reading.Good:
		return q.String()
	}
	if _, ok := f.Fresh(p, now); !ok {
		return reading.Marked.String()
	}
	return reading.Good.String()
}

// age is that of the values that the fan answered last, in seconds, nil before
// the first.
func age(f *export.Fan, now time.Time) *float64 {
	if f.Values.Time.IsZero() {
		return nil
	}
	s := seconds(now.Sub(f.Values.Time))
	return &s
}

// dimension is that of a point of this fan: its setpoint may be a flow.
func dimension(f *config.Fan, p reading.Point) units.Dimension {
	if p == reading.Setpoint && f.ControlsAirflow {
		return units.Flow
	}
	return p.Dimension()
}

// suffix is what recorded readings put behind a point's name for its unit. A
// ratio, a contact and a speed of rotation have none.
func suffix(f *config.Fan, p reading.Point) string {
	return map[units.Dimension]string{units.Pressure: "_pa", units.Flow: "_m3s", units.Power: "_w",
		units.Energy: "_j", units.Time: "_s", units.Temperature: "_c"}[dimension(f, p)]
}

func baseUnit(d units.Dimension) string {
	if names := units.Names(d); len(names) > 0 {
		return names[0]
	}
	return ""
}

// number is a point's value as JSON writes it: contacts are true or false.
func number(p reading.Point, value float64) any {
	if p.Contact() {
		return value != 0
	}
	return value
}
