package web

import (
	"bytes"
	"encoding/json"
	"time"

	"fanwarden/config"
	"fanwarden/export"
)

// buildingTopic tells of the gateways and fans of one building.
type buildingTopic struct {
	id       string
	layout   *layout
	ledger   *ledger
	missing  bool
	fans     map[int]toldFan   // by their place in the fleet
	gateways map[string][]byte // what was told last, by id
}

// toldFan is what was told last of a fan, and of what it was made.
type toldFan struct {
	fan  *export.Fan
	text []byte
}

type buildingMessage struct {
	ID       string            `json:"id"`
	Full     bool              `json:"full,omitempty"`
	Gateways []json.RawMessage `json:"gateways"`
	Fans     []json.RawMessage `json:"fans"`
}

// rowAnswer is a fan in the table of its building.
type rowAnswer struct {
	ID         string             `json:"id"`
	Name       string             `json:"name"`
	Location   string             `json:"location,omitempty"`
	Serves     string             `json:"serves,omitempty"`
	Duty       string             `json:"duty,omitempty"`
	Group      string             `json:"group,omitempty"`
	Role       string             `json:"role,omitempty"`
	Controls   string             `json:"controls"`
	Up         *bool              `json:"up"`
	Outcome    string             `json:"outcome,omitempty"`
	Mode       string             `json:"mode"`
	LastGood   *time.Time         `json:"last_good"`
	Read       *time.Time         `json:"read"`
	Values     map[string]any     `json:"values"`
	Setpoint   *float64           `json:"setpoint"` // Pa or m3/s
	Rank       rank               `json:"rank"`
	Conditions []standingAnswer   `json:"conditions"`
	Suppressed []suppressedAnswer `json:"suppressed"`
	Out        *actAnswer         `json:"out_of_service"`
}

type standingAnswer struct {
	Condition string     `json:"condition"`
	Severity  string     `json:"severity"`
	Summary   string     `json:"summary"`
	Since     *time.Time `json:"since"`
}

type suppressedAnswer struct {
	Condition  string `json:"condition"`
	SilencedBy string `json:"silenced_by"`
}

func (t *buildingTopic) next(p *picture) message {
	m := buildingMessage{ID: t.id, Full: t.layout != p.layout, Gateways: []json.RawMessage{}, Fans: []json.RawMessage{}}
	if m.Full {
		if t.begin(p); t.missing {
			return gone("building:" + t.id)
		}
	}
	if t.missing {
		return message{}
	}
	t.tellGateways(p, &m)
	t.tellFans(p, &m)
	t.ledger = p.ledger
	if !m.Full && len(m.Gateways)+len(m.Fans) == 0 {
		return message{}
	}
	return message{"building", encoded(m)}
}

// begin begins anew with another fleet file.
func (t *buildingTopic) begin(p *picture) {
	t.layout, t.fans, t.gateways, t.missing = p.layout, make(map[int]toldFan), make(map[string][]byte), true
	for _, b := range p.snapshot.Fleet.Buildings {
		if string(b.ID) == t.id {
			t.missing = false
		}
	}
}

func (t *buildingTopic) tellGateways(p *picture, m *buildingMessage) {
	for _, g := range p.snapshot.Gateways {
		if !t.has(g.Gateway.Building) {
			continue
		}
		id, text := string(g.Gateway.ID), encoded(describeGateway(g, p.now))
		if !bytes.Equal(text, t.gateways[id]) {
			t.gateways[id] = text
			m.Gateways = append(m.Gateways, text)
		}
	}
}

func (t *buildingTopic) tellFans(p *picture, m *buildingMessage) {
	for i, f := range p.snapshot.Fans {
		before := t.fans[i]
		if !t.has(f.Fan.Building) || t.ledger == p.ledger && steady(before.fan, f, p.now) {
			continue
		}
		text := encoded(describeRow(f, p))
		t.fans[i] = toldFan{f, text}
		if !bytes.Equal(text, before.text) {
			m.Fans = append(m.Fans, text)
		}
	}
}

func (t *buildingTopic) has(b *config.Building) bool { return string(b.ID) == t.id }

func describeRow(f *export.Fan, p *picture) rowAnswer {
	a := describeFan(f, p.now)
	row := rowAnswer{ID: a.ID, Name: a.Name, Location: a.Location, Serves: a.Serves, Duty: a.Duty, Group: a.Group, Role: a.Role,
		Controls: a.Controls, Up: a.Up, Outcome: a.Outcome, Mode: a.Mode, LastGood: a.LastGood, Read: a.Read, Values: a.Values,
		Rank: fanRank(f, p.now), Conditions: []standingAnswer{}, Suppressed: []suppressedAnswer{}, Out: p.ledger.outOf(f.Fan.ID)}
	if value, ok := f.Setpoint(p.now); ok {
		row.Setpoint = &value
	}
	for _, c := range a.Conditions {
		row.Conditions = append(row.Conditions, standingAnswer{c.Condition, c.Severity, c.Summary, c.Since})
	}
	for _, c := range a.Suppressed {
		row.Suppressed = append(row.Suppressed, suppressedAnswer{c.Condition, c.SilencedBy})
	}
	return row
}
