package web

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// siteAnswer is the answer of /api/v1/site: what a page must know before it can
// show anything, and what changes with the fleet file only.
type siteAnswer struct {
	Name       string                `json:"name"`
	Version    string                `json:"version"`
	Zone       string                `json:"zone"` // of the IANA list
	System     string                `json:"system"`
	Units      map[string]unitAnswer `json:"units"` // in which people are shown each dimension
	Buildings  []buildingAnswer      `json:"buildings"`
	Duties     []config.Duty         `json:"duties"`
	Modes      []string              `json:"modes"`
	Conditions []kindAnswer          `json:"conditions"` // causes before their consequences
	History    bool                  `json:"history"`    // readings are kept
	Keep       float64               `json:"keep_s"`     // how long
	Desk       bool                  `json:"desk"`       // alarms are handled
	Who        string                `json:"who"`        // who asks; "" for nobody who is known
	Users      bool                  `json:"users"`      // somebody could log in
}

// unitAnswer says how a value is shown: (base - offset) / factor, to so many
// decimals.
type unitAnswer struct {
	Unit     string  `json:"unit"`
	Factor   float64 `json:"factor"`
	Offset   float64 `json:"offset"`
	Decimals int     `json:"decimals"`
}

// kindAnswer is one condition of the catalogue.
type kindAnswer struct {
	Name    condition.Name `json:"name"`
	Title   string         `json:"title"`
	Meaning string         `json:"meaning"` // what a fan or gateway does that has it
	Gateway bool           `json:"of_gateway"`
}

func (s *site) serveSite(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		starting(w)
		return
	}
	fleet := snapshot.Fleet
	answer := siteAnswer{Name: fleet.Name, Version: snapshot.Version, Zone: zoneName(fleet.Location), System: fleet.Units.String(),
		Units: describeUnits(fleet.Units), Buildings: describeBuildings(fleet), Duties: config.Duties(), Conditions: describeKinds(),
		History: s.history != nil, Keep: seconds(fleet.Store.Keep), Desk: s.desk != nil,
		Who: s.gate.whoSends(r), Users: len(s.gate.access().Users) > 0}
	for m := range condition.Modes {
		answer.Modes = append(answer.Modes, condition.Mode(m).String())
	}
	answerJSON(w, http.StatusOK, answer)
}

func describeBuildings(fleet *config.Fleet) []buildingAnswer {
	all := make([]buildingAnswer, len(fleet.Buildings))
	for i, b := range fleet.Buildings {
		all[i] = buildingAnswer{string(b.ID), b.Name}
	}
	return all
}

func describeUnits(s units.System) map[string]unitAnswer {
	all := make(map[string]unitAnswer)
	for _, d := range []units.Dimension{units.Pressure, units.Flow, units.Ratio, units.Rotation, units.Power, units.Energy,
		units.Temperature, units.Length} {
		u := s.Unit(d)
		all[kindOf(d)] = unitAnswer{u.Name, u.Factor, u.Offset, s.Decimals(d)}
	}
	return all
}

// kindOf names a dimension.
func kindOf(d units.Dimension) string {
	switch d {
	case units.Plain:
		return "number"
	case units.Flow:
		return "flow" // of air, or another
	}
	return d.String()
}

func describeKinds() []kindAnswer {
	var all []kindAnswer
	for _, d := range condition.Catalogue() {
		title := words(string(d.Name))
		all = append(all, kindAnswer{d.Name, strings.ToUpper(title[:1]) + title[1:], d.Meaning, d.Scope == condition.OfGateway})
	}
	return all
}

// zoneName returns the name by which browsers know a zone. Go calls the
// machine's own "Local"; what has no name in the IANA list is told as UTC.
func zoneName(zone *time.Location) string {
	if zone == nil {
		return "UTC"
	}
	name := zone.String()
	if zone == time.Local {
		name = machineZone(os.Getenv("TZ"), "/etc/localtime")
	}
	if _, err := time.LoadLocation(name); err != nil || name == "" || name == "Local" {
		return "UTC"
	}
	return name
}

// machineZone returns the name of the machine's zone: that of its environment,
// or of the file that a link leads to.
func machineZone(environment, link string) string {
	if name := strings.TrimPrefix(environment, ":"); name != "" {
		return name
	}
	target, err := filepath.EvalSymlinks(link)
	if err != nil {
		return ""
	}
	_, name, _ := strings.Cut(filepath.ToSlash(target), "/zoneinfo/")
	return name
}
