package config

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// Check looks for faults that follow from how a gateway's fans are read. It is
// asked about every gateway with those of its fans whose points are placed,
// also where something else in the file is wrong, so that all faults show in
// one pass.
type Check func(gateway *Gateway, fans []*Fan) []Fault

// Load reads a fleet file and the roster that it names. The error is that of a
// fleet file that cannot be read at all. Faults, those of the checks among
// them, are sorted by file and line; where there are any the fleet is nil.
func Load(path string, checks ...Check) (*Fleet, []Fault, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the fleet file: %w", err)
	}
	fleet, faults := Parse(path, text, os.ReadFile, checks...)
	return fleet, faults, nil
}

// Parse reads the text of a fleet file that lies at path. It reads other files
// (the roster, certificates) through open, by names that are relative to where
// path is relative to. Faults are as Load's.
func Parse(path string, text []byte, open func(name string) ([]byte, error), checks ...Check) (*Fleet, []Fault) {
	r := &reader{}
	fleet := r.parse(path, text, open, checks)
	if faults := r.sorted(); len(faults) > 0 {
		return nil, faults
	}
	return fleet, nil
}

func (r *reader) parse(path string, text []byte, open func(string) ([]byte, error), checks []Check) *Fleet {
	root := r.readTOML(path, text)
	if root == nil {
		return nil
	}
	a := newAssembly(r, path, open)
	a.file(root)
	for _, check := range checks {
		a.ask(check)
	}
	return a.fleet
}

// ask puts a check to every gateway.
func (a *assembly) ask(check Check) {
	placed := make(map[*Gateway][]*Fan)
	for _, fan := range a.fleet.Fans {
		if fan.Gateway != nil && len(fan.Points) > 0 && !a.unsure[fan] {
			placed[fan.Gateway] = append(placed[fan.Gateway], fan)
		}
	}
	for _, gateway := range a.fleet.Gateways {
		a.faults = append(a.faults, check(gateway, placed[gateway])...)
	}
}

// assembly puts a fleet together from the tables of its files.
type assembly struct {
	*reader
	open  func(string) ([]byte, error)
	fleet *Fleet

	staleGiven   bool           // the fleet's stale_after is its own, not the default
	given        map[given]bool // keys of conditions that the fleet's [rules] give
	guardedRules map[guarded]condition.Settings
	buildings    names[*Building]
	gateways     names[*Gateway]
	pointMaps    names[*PointMap]
	fans         names[*Fan]
	maps         []*mapNotes
	unsure       map[*Fan]bool // where it is read from is not known for certain
}

func newAssembly(r *reader, path string, open func(string) ([]byte, error)) *assembly {
	return &assembly{
		reader:       r,
		open:         open,
		fleet:        &Fleet{Path: path, Location: time.Local, Rules: condition.Defaults()},
		buildings:    make(names[*Building]),
		gateways:     make(names[*Gateway]),
		pointMaps:    make(names[*PointMap]),
		fans:         make(names[*Fan]),
		unsure:       make(map[*Fan]bool),
		given:        make(map[given]bool),
		guardedRules: make(map[guarded]condition.Settings),
	}
}

func (a *assembly) file(root *table) {
	rosterName := root.text("roster", "")
	a.general(below(root, "fleet"))
	a.web(below(root, "web"))
	a.store(below(root, "store"))
	a.rules(a.fleet.Rules, root.sub("rules"), nil)
	if maps := root.sub("pointmaps"); maps != nil {
		ids, tables := maps.as("[pointmaps]", "").named()
		for i, t := range tables {
			a.pointMap(ids[i], t)
		}
	}
	for _, t := range root.subs("buildings") {
		a.building(t)
	}
	a.notify(below(root, "notify"))
	for _, t := range root.subs("gateways") {
		a.gateway(t)
	}
	a.sameEndpoints()
	a.samePorts()
	rows := root.subs("fans")
	if root.has("roster") {
		rows = append(rows, a.roster(root, rosterName)...)
	}
	if len(rows) == 0 && !root.has("fans") && (!root.has("roster") || len(a.faults) == 0) {
		root.fault("", "the file has no fan", "write a [[fans]] table for each, or name a spreadsheet of them: roster = \"fans.csv\"")
	}
	for _, t := range rows {
		a.fan(t)
	}
	a.checkMaps()
	a.checkFans()
	root.finish()
}

// below returns a table of the top level; an empty one where the file has none.
func below(root *table, key string) *table {
	t := root.sub(key)
	if t == nil {
		t = &table{reader: root.reader, file: root.file, line: root.line}
	}
	return t.as("["+key+"]", "")
}

func (a *assembly) general(t *table) {
	f := a.fleet
	f.Name = t.text("name", "")
	f.PollEvery = t.duration("poll_every", defaultPollEvery, leastPollEvery)
	a.staleGiven = t.has("stale_after")
	f.StaleAfter = t.duration("stale_after", max(defaultStaleAfter, stalePolls*f.PollEvery), 0)
	if f.StaleAfter < f.PollEvery {
		t.fault("stale_after", "values would be stale before the next poll", "write a stale_after of several times poll_every")
	}
	if zone := t.text("timezone", ""); zone != "" {
		location, err := time.LoadLocation(zone)
		if err != nil {
			t.fault("timezone", fmt.Sprintf("the timezone %q is not known", zone), `write a name of the IANA list, as in "America/Chicago"`)
		} else {
			f.Location = location
		}
	}
	if t.choice("units", "metric", "metric", "imperial") == "imperial" {
		f.Units = units.Imperial
	}
	t.finish()
}

func (a *assembly) store(t *table) {
	a.fleet.Store.Dir = t.text("dir", "")
	a.fleet.Store.Keep = t.duration("keep", defaultKeep, time.Hour)
	a.fleet.Store.KeepMB = t.integer("keep_mb", 0, 0, mostKeepMB)
	t.finish()
}

func (a *assembly) building(t *table) {
	t.as("[[buildings]]", "")
	b := &Building{ID: reading.BuildingID(t.id("building"))}
	b.Name = t.text("name", string(b.ID))
	t.finish()
	if register(t, a.buildings, "building", string(b.ID), b) {
		a.fleet.Buildings = append(a.fleet.Buildings, b)
	}
}

// beside returns the path of a file that a fleet file names.
func (a *assembly) beside(name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(a.fleet.Path), name)
}
