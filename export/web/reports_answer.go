package web

import (
	"time"

	"fanwarden/export/report"
	"fanwarden/rules/condition"
)

// reportAnswer is what JSON says of a building's month.
type reportAnswer struct {
	Time       time.Time        `json:"time"`
	Building   buildingAnswer   `json:"building"`
	Month      string           `json:"month"` // in Zone
	Zone       string           `json:"zone"`
	From       time.Time        `json:"from"`
	To         time.Time        `json:"to"`    // the end of the month, or now
	Whole      bool             `json:"whole"` // the month is over
	First      *time.Time       `json:"first"` // reading; null where none is kept
	Last       *time.Time       `json:"last"`
	Needs      []string         `json:"needs"` // what needs a person, in sentences and in the site's units
	Fans       []fanMonthAnswer `json:"fans"`
	Conditions []stoodAnswer    `json:"conditions"` // the most urgent first
	Creeping   []creepAnswer    `json:"creeping"`
	Methods    []string         `json:"methods"` // how it was counted
}

// fanMonthAnswer is the month of one fan. Recorded, unanswered and missing are
// together the time of the report, and from at_setpoint to disabled together what
// is recorded; at_top and at_lowest are parts of the time at setpoint and off it.
type fanMonthAnswer struct {
	Fan         string        `json:"fan"`
	Name        string        `json:"name"`
	Recorded    float64       `json:"recorded_s"`
	Unanswered  float64       `json:"unanswered_s"`
	Missing     float64       `json:"missing_s"`
	AtSetpoint  float64       `json:"at_setpoint_s"`
	OffSetpoint float64       `json:"off_setpoint_s"`
	Untold      float64       `json:"setpoint_unknown_s"`
	Idle        float64       `json:"idle_s"`
	Stopped     float64       `json:"stopped_s"`
	Forced      float64       `json:"forced_s"`
	Disabled    float64       `json:"disabled_s"`
	AtTop       float64       `json:"at_top_speed_s"`
	AtLowest    float64       `json:"at_lowest_speed_s"`
	Ran         float64       `json:"ran_s"`
	MeanSpeed   *float64      `json:"mean_speed"` // while it ran; null where it did not
	Starts      int           `json:"starts"`
	Energy      *energyAnswer `json:"energy"` // null: neither measured nor to be estimated
}

// energyAnswer is what a motor took within the time that it is of. Low and high
// are the same where it was measured.
type energyAnswer struct {
	Method  string   `json:"method"` // measured or estimated
	Over    float64  `json:"over_s"`
	Low     float64  `json:"low_j"`
	High    float64  `json:"high_j"`
	Table   *float64 `json:"ashrae_90_1_j,omitempty"`
	NoReset *float64 `json:"cec_2003_no_reset_j,omitempty"`
	Rated   *float64 `json:"rated_power_w,omitempty"`
}

// stoodAnswer is one condition of a fan or gateway within the month.
type stoodAnswer struct {
	Gateway      string   `json:"gateway"`
	Fan          string   `json:"fan,omitempty"` // absent for a gateway's own
	Condition    string   `json:"condition"`
	Severity     string   `json:"severity"` // the worst
	Times        int      `json:"times"`
	Stood        float64  `json:"stood_s"`
	Longest      float64  `json:"longest_s"`
	Acknowledged int      `json:"acknowledged"`
	After        *float64 `json:"acknowledged_after_s"` // mean; null where nobody did
	Stands       bool     `json:"stands"`               // at the end
	Known        bool     `json:"known"`                // it stands, and somebody has said that they know
	Summary      string   `json:"summary"`
}

// creepAnswer is a fan whose load crept, and what that rests on.
type creepAnswer struct {
	Fan      string             `json:"fan"`
	Since    time.Time          `json:"since"`
	Stands   bool               `json:"stands"`
	Summary  string             `json:"summary"`
	Evidence map[string]float64 `json:"evidence"`
}

func (m *made) describe() reportAnswer {
	a := reportAnswer{Time: utc(m.now), Building: buildingAnswer{string(m.Building.ID), m.Building.Name}, Month: m.Month.String(),
		Zone: zoneName(m.zone), From: utc(m.From), To: utc(m.To), Whole: m.Whole, First: known(m.First), Last: known(m.Last),
		Needs: []string{}, Fans: make([]fanMonthAnswer, len(m.Fans)), Conditions: make([]stoodAnswer, len(m.Conditions)),
		Creeping: make([]creepAnswer, len(m.Creeping))}
	for i := range m.Fans {
		a.Fans[i] = describeFanMonth(&m.Fans[i])
	}
	for i := range m.Conditions {
		a.Conditions[i] = describeStood(&m.Conditions[i])
	}
	for i, c := range m.Creeping {
		a.Creeping[i] = creepAnswer{string(c.Fan), utc(c.Since), c.Stands, c.Summary, describeCondition(condition.Standing{Finding: c.Finding}).Evidence}
	}
	for _, n := range m.needs() {
		a.Needs = append(a.Needs, n.Says)
	}
	for _, one := range m.methods() {
		a.Methods = append(a.Methods, one.Says)
	}
	return a
}

func describeFanMonth(f *report.Fan) fanMonthAnswer {
	a := fanMonthAnswer{Fan: string(f.Fan.ID), Name: f.Fan.Name, Recorded: seconds(f.Recorded), Unanswered: seconds(f.Unanswered),
		Missing: seconds(f.Missing), AtSetpoint: seconds(f.AtSetpoint), OffSetpoint: seconds(f.OffSetpoint), Untold: seconds(f.Untold),
		Idle: seconds(f.Idle), Stopped: seconds(f.Stopped), Forced: seconds(f.Forced), Disabled: seconds(f.Disabled),
		AtTop: seconds(f.AtTop), AtLowest: seconds(f.AtLowest), Ran: seconds(f.Ran), Starts: f.Starts, Energy: describeEnergy(f)}
	if f.Ran > 0 {
		a.MeanSpeed = nearest(f.MeanSpeed, 1e-4)
	}
	return a
}

func describeEnergy(f *report.Fan) *energyAnswer {
	if f.How == report.NotKnown {
		return nil
	}
	a := &energyAnswer{Method: f.How.String(), Over: seconds(f.Over), Low: *nearest(f.Low, 1), High: *nearest(f.High, 1)}
	if f.How == report.Estimated {
		a.Table, a.NoReset, a.Rated = nearest(f.Table, 1), nearest(f.NoReset, 1), &f.Fan.RatedPower
	}
	return a
}

func describeStood(c *report.Condition) stoodAnswer {
	a := stoodAnswer{Gateway: string(c.Gateway), Fan: string(c.Fan), Condition: string(c.Condition), Severity: c.Severity.String(), Times: c.Times,
		Stood: seconds(c.Stood), Longest: seconds(c.Longest), Acknowledged: c.Acknowledged, Stands: c.Stands, Known: c.Known, Summary: c.Last.Summary}
	if c.Acknowledged > 0 {
		after := seconds(c.After)
		a.After = &after
	}
	return a
}
