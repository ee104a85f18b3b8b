package web

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"fanwarden/export/report"
)

// table is one that spreadsheets read: a header whose names end in the unit, and
// values in base units, so that the tables of two sites can be put together.
type table [][]string

// writeTable writes it. Texts were made safe as they were entered, so that no name
// of the fleet file is taken for a formula.
func writeTable(w io.Writer, t table) error { return csv.NewWriter(w).WriteAll(t) }

func (m *made) fanTable() table {
	t := table{{"building", "fan", "name", "from", "to", "recorded_s", "unanswered_s", "missing_s", "at_setpoint_s", "off_setpoint_s",
		"setpoint_unknown_s", "idle_s", "stopped_s", "forced_s", "disabled_s", "at_top_speed_s", "at_lowest_speed_s", "ran_s", "mean_speed",
		"starts", "rated_power_w", "energy_method", "energy_over_s", "energy_low_j", "energy_high_j", "energy_ashrae_90_1_j", "energy_cec_2003_no_reset_j"}}
	for i := range m.Fans {
		f := &m.Fans[i]
		row := []string{cell(string(m.Building.ID)), cell(string(f.Fan.ID)), cell(f.Fan.Name), instant(m.From), instant(m.To)}
		for _, d := range []time.Duration{f.Recorded, f.Unanswered, f.Missing, f.AtSetpoint, f.OffSetpoint, f.Untold, f.Idle, f.Stopped, f.Forced,
			f.Disabled, f.AtTop, f.AtLowest, f.Ran} {
			row = append(row, decimal(d.Seconds(), 3))
		}
		t = append(t, append(row, energyCells(f, []string{where(f.Ran > 0, decimal(f.MeanSpeed, 4)), strconv.Itoa(f.Starts),
			where(f.Fan.RatedPower > 0, decimal(f.Fan.RatedPower, 1))})...))
	}
	return t
}

func energyCells(f *report.Fan, row []string) []string {
	figures, estimated := f.How != report.NotKnown, f.How == report.Estimated
	return append(row, f.How.String(), where(figures, decimal(f.Over.Seconds(), 3)), where(figures, decimal(f.Low, 0)), where(figures, decimal(f.High, 0)),
		where(estimated, decimal(f.Table, 0)), where(estimated, decimal(f.NoReset, 0)))
}

func (m *made) conditionTable() table {
	t := table{{"building", "gateway", "fan", "condition", "severity", "from", "to", "times", "stood_s", "longest_s", "acknowledged",
		"acknowledged_after_s", "stands", "known", "summary"}}
	for i := range m.Conditions {
		c := &m.Conditions[i]
		t = append(t, []string{cell(string(m.Building.ID)), cell(string(c.Gateway)), cell(string(c.Fan)), cell(string(c.Condition)), c.Severity.String(),
			instant(m.From), instant(m.To), strconv.Itoa(c.Times), decimal(c.Stood.Seconds(), 3), decimal(c.Longest.Seconds(), 3),
			strconv.Itoa(c.Acknowledged), where(c.Acknowledged > 0, decimal(c.After.Seconds(), 3)), strconv.FormatBool(c.Stands),
			strconv.FormatBool(c.Known), cell(c.Last.Summary)})
	}
	return t
}

// cell makes a text safe: one that a spreadsheet would take for a formula, with
// whatever that may reach, begins with an apostrophe.
func cell(text string) string {
	text = clean(text)
	if trimmed := strings.TrimLeft(text, " \u00a0\u3000\ufeff"); trimmed != "" && strings.ContainsAny(firstOf(trimmed), "=+-@|%＝＋－＠") {
		return "'" + text
	}
	return text
}

// firstOf returns the first letter of a text.
func firstOf(text string) string {
	for _, r := range text {
		return string(r)
	}
	return ""
}

// where returns a figure where there is one: an empty cell is no zero.
func where(there bool, figure string) string {
	if !there {
		return ""
	}
	return figure
}

// decimal writes a number without an exponent and without trailing zeros.
func decimal(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func instant(t time.Time) string { return utc(t).Format(time.RFC3339) }
