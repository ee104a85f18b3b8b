package web

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strings"
	"time"

	"fanwarden/export/report"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// sheetView is what the template of a report shows: every text is ready for
// people, in their units and their zone.
type sheetView struct {
	Site, Assets  string
	Refused       string // why there is no report; then there is nothing else
	Building      string
	BuildingID    string
	BuildingPath  string
	Month         string
	Made          string
	Version       string
	Covers        string
	Coverage      string
	FanCount      string
	Before, After *linkView // the months beside it
	Table, Data   string    // paths of the same as CSV and JSON
	Needs         []attention
	Columns       []columnView
	Fans          []sheetFan
	Sum           sheetFan
	Conditions    []sheetCondition
	Creeping      []sheetCreep
	Energy        []sheetEnergy
	EnergySum     sheetEnergy
	EnergyNone    string
	Thin          []sheetThin
	Full          []string // what to say of what is not in Thin
	Since         string   // from when on the bars are
	Methods       []method
	Notes         map[string]int // the method of each part, by its number
}

type linkView struct{ Path, Text string }

// columnView is one column of figures of the fans' table.
type columnView struct {
	Title string
	Unit  string
	Group string // that it belongs to
	Part  bool   // of columns beside it
}

type sheetFan struct {
	Name, ID, Path string
	Bar            []segment
	BarSays        string
	Cells          []cellView
}

type cellView struct {
	Is   string // what it is, for a page that has no room for columns
	Text string
	None bool // it is zero
}

// segment is a part of a fan's bar, of 1000.
type segment struct {
	Class    string
	From, To int
}

// Width is what it takes of the bar.
func (s segment) Width() int { return s.To - s.From }

// Height is how high it stands, of 10: while the fan ran in full, while it was at
// rest in part, and hardly where nothing is known, so that a print without colours
// tells them apart.
func (s segment) Height() int {
	switch s.Class {
	case "rest", "disabled":
		return 6
	case "gap":
		return 2
	}
	return 10
}

// Top is where it begins, from above.
func (s segment) Top() int { return 10 - s.Height() }

type sheetCondition struct {
	Severity, Condition, Where, Path     string
	Times, Known                         int
	Stood, Longest, After, End, Standing string
}

type sheetCreep struct {
	Name, Path, Since, Ended, Summary string
	Evidence                          []evidenceView
}

type evidenceView struct{ Name, Value string }

type sheetEnergy struct {
	Name, Path, Rated, Measured, Low, High, Over, Why string
}

type sheetThin struct{ Name, Path, Recorded, Part, Unanswered, Missing string }

func sheetTemplate() *template.Template {
	return template.Must(template.ParseFS(assets, "assets/report.html"))
}

func (m *made) sheet() sheetView {
	sum := m.Sum()
	whole := sum.Recorded + sum.Unanswered + sum.Missing
	v := sheetView{Site: clean(m.snapshot.Fleet.Name), Assets: m.assets, Building: clean(m.Building.Name), BuildingID: string(m.Building.ID), BuildingPath: pathOf("buildings", string(m.Building.ID)),
		Month: monthName(m.Month), Made: m.clock(m.now), Version: clean(m.snapshot.Version), FanCount: numbered(len(m.Fans), "fan", "fans"),
		Covers: m.clock(m.From) + " to " + m.clock(m.To), Table: m.path(".csv"), Data: "/api/v1" + m.path(""),
		Needs: m.needs(), Methods: m.methods(), Conditions: m.sheetConditions(), Creeping: m.sheetCreeping(),
		Notes: map[string]int{"Hours": methodHours, "Setpoint": methodSetpoint, "Starts": methodStarts, "Conditions": methodConditions,
			"Creep": methodCreep, "Energy": methodEnergy}}
	if !m.Whole {
		v.Covers += ", when this was made: the month is not over"
	}
	if whole > 0 {
		part := func(d time.Duration) string { return percent(d.Seconds() / whole.Seconds()) }
		v.Coverage = part(sum.Recorded) + " of the fan hours are recorded (" + hours(sum.Recorded) + " of " + hours(whole) + " h); " +
			part(sum.Unanswered) + " brought no good answer, of " + part(sum.Missing) + " nothing is kept"
	}
	v.Coverage = tied(v.Coverage)
	for i := range v.Needs {
		v.Needs[i].Says = tied(v.Needs[i].Says)
	}
	v.beside(m)
	v.fans(m, &sum)
	v.energy(m)
	v.thin(m)
	return v
}

// tied keeps a number and its unit on one line.
func tied(text string) string {
	return strings.NewReplacer(" %", "\u00a0%", " h)", "\u00a0h)").Replace(text)
}

// path is where the report lies.
func (m *made) path(suffix string) string {
	return pathOf("reports", string(m.Building.ID), m.Month.String()+suffix)
}

func pathOf(parts ...string) string {
	for i, part := range parts {
		parts[i] = url.PathEscape(part)
	}
	return "/" + strings.Join(parts, "/")
}

func monthName(m report.Month) string { return m.Begins(time.UTC).Format("January 2006") }

// beside links the months beside it, as far as readings are kept.
func (v *sheetView) beside(m *made) {
	link := func(month report.Month) *linkView {
		return &linkView{pathOf("reports", string(m.Building.ID), month.String()), monthName(month)}
	}
	if oldest := m.snapshot.History.Oldest; !oldest.IsZero() && oldest.Before(m.From) {
		v.Before = link(m.Month.Before())
	}
	if m.Whole {
		v.After = link(m.Month.Next())
	}
}

// The groups of columns.
const (
	groupOwn  = "Ran by its own control"
	groupRest = "Otherwise"
)

func (v *sheetView) fans(m *made, sum *report.Hours) {
	v.Columns = []columnView{{"At setpoint", "h", groupOwn, false}, {"Off setpoint", "h", groupOwn, false}}
	if sum.Untold > 0 {
		v.Columns = append(v.Columns, columnView{"Setpoint unknown", "h", groupOwn, false})
	}
	v.Columns = append(v.Columns, columnView{"at top speed", "h", groupOwn, true}, columnView{"at lowest speed", "h", groupOwn, true},
		columnView{"Idle or stopped", "h", groupRest, false}, columnView{"Forced", "h", groupRest, false}, columnView{"Disabled", "h", groupRest, false},
		columnView{"Not recorded", "h", groupRest, false}, columnView{"Mean speed", "", "", false}, columnView{"Starts", "", "", false})
	if m.late() > lateLeast {
		v.Since = "The bars begin with the first reading that is kept, " + m.clock(m.First) + "."
	}
	starts := 0
	for i := range m.Fans {
		f := &m.Fans[i]
		row := sheetFan{Name: clean(f.Fan.Name), ID: clean(string(f.Fan.ID)), Path: pathOf("fans", string(f.Fan.ID)), Bar: bar(&f.Hours, m.late())}
		row.Cells = v.cells(&f.Hours, where(f.Ran > 0, units.Metric.Format(f.MeanSpeed, units.Ratio)), f.Starts, sum.Untold > 0)
		starts += f.Starts
		v.Fans = append(v.Fans, row)
	}
	v.Sum = sheetFan{Name: "All fans", Bar: bar(sum, time.Duration(len(m.Fans))*m.late()), Cells: v.cells(sum, "", starts, sum.Untold > 0)}
}

func (v *sheetView) cells(h *report.Hours, speed string, starts int, untold bool) (cells []cellView) {
	all := []time.Duration{h.AtSetpoint, h.OffSetpoint}
	if untold {
		all = append(all, h.Untold)
	}
	all = append(all, h.AtTop, h.AtLowest, h.Idle+h.Stopped, h.Forced, h.Disabled, h.Unanswered+h.Missing)
	for i, d := range all {
		cells = append(cells, cellView{capital(v.Columns[i].Title) + ", h", hours(d), d == 0})
	}
	return append(cells, cellView{"Mean speed", dashed(speed), speed == ""}, cellView{"Starts", decimal(float64(starts), 0), starts == 0})
}

// dashed writes a dash where there is nothing.
func dashed(text string) string {
	if text == "" {
		return "–"
	}
	return text
}

// bar divides a fan's month, from when on readings are kept.
func bar(h *report.Hours, late time.Duration) []segment {
	parts := []struct {
		class string
		d     time.Duration
	}{{"held", h.AtSetpoint}, {"off", h.OffSetpoint}, {"untold", h.Untold}, {"rest", h.Idle + h.Stopped}, {"forced", h.Forced},
		{"disabled", h.Disabled}, {"gap", h.Unanswered + h.Missing - late}}
	var whole, until time.Duration
	for _, p := range parts {
		whole += p.d
	}
	var bar []segment
	for _, p := range parts {
		from := until
		if until += p.d; p.d > 0 {
			at := func(d time.Duration) int { return int(math.Round(1000 * d.Seconds() / whole.Seconds())) }
			bar = append(bar, segment{p.class, at(from), at(until)})
		}
	}
	return bar
}

func (m *made) sheetConditions() []sheetCondition {
	all := make([]sheetCondition, len(m.Conditions))
	for i := range m.Conditions {
		c := &m.Conditions[i]
		all[i] = sheetCondition{Severity: c.Severity.String(), Condition: words(string(c.Condition)), Where: m.nameOf(c.Fan, c.Gateway), Times: c.Times,
			Known: c.Acknowledged, Stood: units.Span(c.Stood), Longest: units.Span(c.Longest), After: "–", End: "over"}
		if c.Fan != "" {
			all[i].Path = pathOf("fans", string(c.Fan))
		}
		if c.Acknowledged > 0 {
			all[i].After = units.Span(c.After)
		}
		if c.Stands {
			all[i].End = m.then("stands", "stood")
			all[i].Standing = "stands"
		}
	}
	return all
}

func (m *made) sheetCreeping() []sheetCreep {
	all := make([]sheetCreep, len(m.Creeping))
	for i, c := range m.Creeping {
		all[i] = sheetCreep{Name: m.nameOf(c.Fan, ""), Path: pathOf("fans", string(c.Fan)), Since: m.clock(c.Since), Summary: clean(c.Summary)}
		if !c.Stands {
			all[i].Ended = "It is over."
		}
		for _, n := range c.Evidence {
			all[i].Evidence = append(all[i].Evidence, m.evidence(n))
		}
	}
	return all
}

// evidence writes a number of the evidence in people's units, which its name
// tells: "pressure_pa" is a pressure in pascals.
func (m *made) evidence(n condition.Number) evidenceView {
	of, called := n.Dimension()
	return evidenceView{words(called), m.snapshot.Fleet.Units.Format(n.Value, of)}
}

func (v *sheetView) energy(m *made) {
	s := m.snapshot.Fleet.Units
	kWh := func(j float64) string { number, _, _ := strings.Cut(s.Format(j, units.Energy), " "); return number }
	var measured, low, high float64
	var over time.Duration
	var estimates, meters int
	for i := range m.Fans {
		f := &m.Fans[i]
		row := sheetEnergy{Name: clean(f.Fan.Name), Path: pathOf("fans", string(f.Fan.ID)), Rated: "–", Over: hours(f.Over)}
		if f.Fan.RatedPower > 0 {
			row.Rated = s.Format(f.Fan.RatedPower, units.Power)
		}
		switch f.How {
		case report.Measured:
			row.Measured, measured, meters = kWh(f.Low), measured+f.Low, meters+1
		case report.Estimated:
			row.Low, row.High, low, high, estimates = kWh(f.Low), kWh(f.High), low+f.Low, high+f.High, estimates+1
		default:
			row.Over, row.Why = "–", noEnergy(f)
		}
		over += f.Over
		v.Energy = append(v.Energy, row)
	}
	v.EnergySum = sheetEnergy{Name: "All of these fans", Measured: where(meters > 0, kWh(measured)), Low: where(estimates > 0, kWh(low)),
		High: where(estimates > 0, kWh(high)), Over: hours(over)}
	if meters+estimates == 0 {
		v.EnergyNone = "No figure can be given: no fan has a power point that was read or a rated_power in the fleet file. Give rated_power, the motor's nameplate, in [[fans]]."
	}
}

func noEnergy(f *report.Fan) string {
	if f.Fan.RatedPower > 0 {
		return "nothing recorded"
	}
	return "rated power not known"
}

// thin lists the fans of which a part is not recorded, beside what is kept of
// none.
func (v *sheetView) thin(m *made) {
	if m.First.IsZero() {
		v.Full = []string{"Nothing is kept of any fan."}
		return
	}
	full := 0
	for i := range m.Fans {
		f := &m.Fans[i]
		if m.share(f) >= fullShare {
			full++
			continue
		}
		v.Thin = append(v.Thin, sheetThin{clean(f.Fan.Name), pathOf("fans", string(f.Fan.ID)), hours(f.Recorded), percent(m.share(f)),
			hours(f.Unanswered), hours(max(0, f.Missing-m.late()))})
	}
	since := ""
	if m.late() > lateLeast {
		since = " since then"
		v.Full = append(v.Full, fmt.Sprintf("Readings are kept from %s on; the %s before are missing of every fan.", m.clock(m.First), units.Span(m.late())))
	}
	switch {
	case len(v.Thin) == 0 && full > 0:
		v.Full = append(v.Full, "Every fan is recorded for 99.5 % of the time"+since+" or more.")
	case full > 0:
		v.Full = append(v.Full, "Every other fan is recorded for 99.5 % of the time"+since+" or more.")
	}
}

// OwnColumns counts the columns of the time by a fan's own control.
func (v sheetView) OwnColumns() (n int) {
	for _, c := range v.Columns {
		if c.Group == groupOwn {
			n++
		}
	}
	return n
}

// Number is the number of a method by its place.
func (v sheetView) Number(place int) int { return place + 1 }
