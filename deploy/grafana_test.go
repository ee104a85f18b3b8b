package deploy_test

import (
	"encoding/json"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/prometheus/promql/parser"

	"fanwarden/rules/condition"
)

const dashboardFile = "grafana/fanwarden.json"

// dashboard is what the tests look at in the file, as Grafana lays it out.
type dashboard struct {
	ID            *int `json:"id"` // given by a Grafana, and none of another's
	UID, Title    string
	SchemaVersion int
	Templating    struct{ List []variable }
	Annotations   struct{ List []query }
	Panels        []panel
}

type variable struct {
	Name, Label, Type, Definition string
	Datasource                    source
}

type source struct{ Type, UID string }

type query struct {
	RefID, Expr string
	Datasource  source
}

type panel struct {
	ID                       int
	Type, Title, Description string
	Datasource               source
	GridPos                  struct{ X, Y, W, H int }
	Targets                  []query
	FieldConfig              struct {
		Defaults  struct{ Unit string }
		Overrides []struct {
			Matcher    struct{ Options string }
			Properties []struct {
				ID    string
				Value json.RawMessage
			}
		}
	}
}

func loadDashboard(t *testing.T) (d dashboard) {
	t.Helper()
	if err := json.Unmarshal([]byte(read(t, dashboardFile)), &d); err != nil {
		t.Fatal(err)
	}
	if len(d.Panels) < 20 || len(d.Templating.List) < 4 {
		t.Fatalf("%d panels, %d variables", len(d.Panels), len(d.Templating.List))
	}
	return d
}

// queries are all that the dashboard asks Prometheus, by where.
func (d *dashboard) queries() map[string]string {
	all := make(map[string]string)
	for _, p := range d.Panels {
		for _, q := range p.Targets {
			all[p.Title+" "+q.RefID] = q.Expr
		}
	}
	for _, q := range d.Annotations.List {
		all["annotation "+q.Expr] = q.Expr
	}
	asked := regexp.MustCompile(`^label_values\((.+), [a-z]+\)$`)
	for _, v := range d.Templating.List {
		if m := asked.FindStringSubmatch(v.Definition); m != nil {
			all["variable "+v.Name] = m[1]
		}
	}
	return all
}

// filled is an expression as Grafana sends it: some value for each variable.
var filled = strings.NewReplacer("$__rate_interval", "5m", "$__interval", "1m", "$__range", "24h",
	"$building", "alder|birch", "$gateway", ".*", "$fan", "alder-ef1")

// exported says which labels each series of the daemon may have, by the metrics
// that package export/metrics holds itself to, and those that Prometheus adds.
func exported(t *testing.T) map[string]map[string]bool {
	t.Helper()
	all := map[string]map[string]bool{"up": {}}
	series := regexp.MustCompile(`(?m)^(fanwarden_[a-z_]+)(?:\{(.*)\})? \S+$`)
	label := regexp.MustCompile(`([a-z_]+)="`)
	for _, m := range series.FindAllStringSubmatch(read(t, filepath.Join(root, "export", "metrics", "testdata", "campus.prom")), -1) {
		if all[m[1]] == nil {
			all[m[1]] = make(map[string]bool)
		}
		for _, name := range group1(label, m[2]) {
			all[m[1]][name] = true
		}
	}
	for _, of := range all {
		of["job"], of["instance"] = true, true
	}
	return all
}

// complaints says what an expression names that nobody exports: metrics, and
// labels that it selects or groups by.
func complaints(t *testing.T, where, text string, known map[string]map[string]bool) (all []string) {
	t.Helper()
	expr, err := parser.NewParser(parser.Options{}).ParseExpr(filled.Replace(text))
	if err != nil {
		return []string{where + ": " + err.Error()}
	}
	some := make(map[string]bool)
	var grouping []string
	parser.Inspect(expr, func(node parser.Node, _ []parser.Node) error {
		switch n := node.(type) {
		case *parser.VectorSelector:
			of, there := known[n.Name]
			if !there {
				all = append(all, where+": nobody exports "+n.Name)
			}
			maps.Copy(some, of)
			for _, m := range n.LabelMatchers {
				if m.Name != "__name__" && !of[m.Name] {
					all = append(all, where+": "+n.Name+" has no label "+m.Name)
				}
			}
		case *parser.AggregateExpr:
			grouping = append(grouping, n.Grouping...)
		case *parser.BinaryExpr:
			if n.VectorMatching != nil {
				grouping = append(append(grouping, n.VectorMatching.MatchingLabels...), n.VectorMatching.Include...)
			}
		}
		return nil
	})
	for _, name := range grouping {
		if !some[name] {
			all = append(all, where+": nothing in it has a label "+name)
		}
	}
	return all
}

func TestDashboardAsksForWhatIsExported(t *testing.T) {
	known := exported(t)
	d := loadDashboard(t)
	asked := d.queries()
	var text strings.Builder
	for where, expr := range asked {
		text.WriteString(expr)
		for _, c := range complaints(t, where, expr, known) {
			t.Error(c)
		}
	}
	for name := range known {
		base := regexp.MustCompile(`_(bucket|sum|count)$`).ReplaceAllString(name, "")
		if !strings.Contains(text.String(), base) {
			t.Errorf("no panel shows %s", name)
		}
	}
}

func TestDashboardTestsNoticeWhatIsWrong(t *testing.T) {
	known := exported(t)
	for _, expr := range []string{
		"sum(fanwarden_fan_up",
		"fanwarden_fans",
		`fanwarden_fan_up{gateway="x"}`,
		"sum by (outcome) (fanwarden_gateway_up)",
		"fanwarden_fan_up * on (building, fan) group_left (owner) fanwarden_fan_info",
		"rate(fanwarden_polls_total[$interval])",
	} {
		if len(complaints(t, "here", expr, known)) == 0 {
			t.Errorf("not noticed: %s", expr)
		}
	}
}

// A dashboard that is imported finds the Prometheus that its reader picks, and
// takes nobody's place.
func TestDashboardBelongsToNoMachine(t *testing.T) {
	d := loadDashboard(t)
	if d.ID != nil || d.UID != "fanwarden" || d.SchemaVersion < 39 {
		t.Errorf("id %v, uid %q, schema %d", d.ID, d.UID, d.SchemaVersion)
	}
	picked := source{"prometheus", "${datasource}"}
	for _, p := range d.Panels {
		for _, q := range p.Targets {
			if q.Datasource != picked {
				t.Errorf("%s %s asks %v", p.Title, q.RefID, q.Datasource)
			}
		}
		if p.Type != "row" && p.Datasource != picked {
			t.Errorf("%s asks %v", p.Title, p.Datasource)
		}
	}
	for _, v := range d.Templating.List {
		if v.Label == "" || v.Type == "query" && v.Datasource != picked {
			t.Errorf("variable %s: %+v", v.Name, v)
		}
	}
	for _, banned := range []string{"http://", "https://", "__inputs", "localhost"} {
		if strings.Contains(read(t, dashboardFile), banned) {
			t.Errorf("it holds %s", banned)
		}
	}
}

// builtIn are the kinds of panels that every Grafana brings along.
var builtIn = strings.Fields("row stat table timeseries barchart bargauge xychart state-timeline")

// Each panel says what it shows and what to do about it.
func TestEveryPanelOfTheDashboardExplainsItself(t *testing.T) {
	ids, titles := make(map[int]bool), make(map[string]bool)
	for _, p := range loadDashboard(t).Panels {
		if p.Title == "" || titles[p.Title] || ids[p.ID] {
			t.Errorf("panel %d: title %q is empty, or there twice", p.ID, p.Title)
		}
		titles[p.Title], ids[p.ID] = true, true
		if !slices.Contains(builtIn, p.Type) {
			t.Errorf("%s: nobody has panels of kind %q without a plugin", p.Title, p.Type)
		}
		if p.Type == "row" {
			continue
		}
		if len(p.Description) < 40 || len(p.Targets) == 0 {
			t.Errorf("%s: %d queries, described as %q", p.Title, len(p.Targets), p.Description)
		}
		if p.FieldConfig.Defaults.Unit == "" && p.Type != "table" {
			t.Errorf("%s: its numbers have no unit", p.Title)
		}
	}
}

func TestPanelsOfTheDashboardDoNotOverlap(t *testing.T) {
	taken := make(map[[2]int]string)
	for _, p := range loadDashboard(t).Panels {
		g := p.GridPos
		if g.W < 1 || g.H < 1 || g.X < 0 || g.Y < 0 || g.X+g.W > 24 {
			t.Errorf("%s lies at %+v", p.Title, g)
		}
		for x := g.X; x < g.X+g.W; x++ {
			for y := g.Y; y < g.Y+g.H; y++ {
				if other := taken[[2]int{x, y}]; other != "" {
					t.Fatalf("%s lies on %s", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
	}
}

// What is a name or a number to Prometheus is a word to people: colour alone
// says nothing.
func TestDashboardSaysConditionsModesAndSeveritiesInWords(t *testing.T) {
	words := make(map[string]bool)
	for _, p := range loadDashboard(t).Panels {
		for _, o := range p.FieldConfig.Overrides {
			words[o.Matcher.Options] = true
			for _, property := range o.Properties {
				for _, m := range group1(regexp.MustCompile(`"([a-z_]+)": *\{"text": *"[^"]`), string(property.Value)) {
					words[m] = true
				}
			}
		}
	}
	for _, c := range condition.Catalogue() {
		if !words[string(c.Name)] {
			t.Errorf("it has no words for %s", c.Name)
		}
	}
	for mode := range condition.Mode(condition.Modes) {
		if !words[mode.String()] {
			t.Errorf("it has no words for the mode %s", mode)
		}
	}
	for severity := condition.Note; severity <= condition.Page; severity++ {
		if !words[severity.String()] {
			t.Errorf("it has no words for the severity %s", severity)
		}
	}
}
