package condition

import (
	"encoding/json"
	"math"
	"strconv"
	"time"

	"fanwarden/poller/reading"
)

// event is a transition as other programs read it.
type event struct {
	Time      string             `json:"time"`
	Building  reading.BuildingID `json:"building"`
	Gateway   reading.GatewayID  `json:"gateway"`
	Fan       reading.FanID      `json:"fan,omitempty"`
	Condition Name               `json:"condition"`
	Change    Change             `json:"change"`
	Reason    Reason             `json:"reason,omitempty"`
	Severity  string             `json:"severity"`
	Incident  string             `json:"incident,omitempty"`
	Summary   string             `json:"summary"`
	Evidence  evidence           `json:"evidence"`
	Causes    []string           `json:"causes"`
}

// MarshalJSON writes a transition as one object: time, building, gateway, fan
// (absent for a gateway's own), condition, change, reason (of a clearing),
// severity, incident (of one that several share), summary, evidence (numbers by name, in the order of the finding)
// and causes (the likeliest first, each with its first check). A number that is
// not finite is left out.
func (t Transition) MarshalJSON() ([]byte, error) {
	causes := make([]string, 0, len(t.Causes))
	for _, c := range t.Causes {
		causes = append(causes, c.String())
	}
	return json.Marshal(event{Time: t.Time.UTC().Format(time.RFC3339Nano), Building: t.Building, Gateway: t.Gateway,
		Fan: t.Fan, Condition: t.Condition, Change: t.Change, Reason: t.Reason, Severity: t.Severity.String(),
		Incident: t.Incident, Summary: t.Summary, Evidence: t.Evidence, Causes: causes})
}

// String returns the cause, what speaks for it and its first check in one line.
func (c Cause) String() string {
	text := c.What
	if c.Speaks != "" {
		text += " (" + c.Speaks + ")"
	}
	if c.Check != "" {
		text += ". First check: " + c.Check
	}
	return text
}

// evidence is written as one object that keeps the order of its numbers.
type evidence []Number

// MarshalJSON writes each number with six significant digits: what was
// measured has no more.
func (e evidence) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for _, n := range e {
		if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) {
			continue
		}
		if len(out) > 1 {
			out = append(out, ',')
		}
		out = strconv.AppendQuote(out, n.Name)
		out = append(out, ':')
		out = strconv.AppendFloat(out, significant(n.Value), 'f', -1, 64)
	}
	return append(out, '}'), nil
}

func significant(v float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		return v
	}
	return rounded
}
