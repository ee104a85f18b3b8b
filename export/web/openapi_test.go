package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http/httptest"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export/internal/sample"
)

// schema is the part of JSON Schema that the description uses.
type schema struct {
	Ref        string             `json:"$ref"`
	Type       any                `json:"type"` // a name, or several
	Enum       []any              `json:"enum"`
	Format     string             `json:"format"`
	Properties map[string]*schema `json:"properties"`
	Required   []string           `json:"required"`
	Additional json.RawMessage    `json:"additionalProperties"`
	Items      *schema            `json:"items"`
	OneOf      []*schema          `json:"oneOf"`
	MinLength  int                `json:"minLength"`
	MaxLength  int                `json:"maxLength"`
}

// described is the part of the description that the tests look at.
type described struct {
	OpenAPI string
	Paths   map[string]map[string]struct {
		Parameters []struct {
			Name, In string
			Schema   *schema
		}
		Security    []map[string][]string
		RequestBody *struct {
			Content map[string]struct{ Schema *schema }
		}
		Responses map[string]struct {
			Content map[string]struct{ Schema *schema }
		}
	}
	Components struct {
		Schemas         map[string]*schema
		SecuritySchemes map[string]struct{ Type, Scheme string }
	}
}

func description(t testing.TB) *described {
	t.Helper()
	body := ask(atDesk(t, nil), "GET", "/api/v1/openapi.json").Body.Bytes()
	var d described
	if err := json.Unmarshal(body, &d); err != nil {
		t.Fatal(err)
	}
	return &d
}

// The description names the routes of the interface, no more and no fewer, and
// says truly which of them want a login.
func TestTheDescriptionHasEveryRoute(t *testing.T) {
	d := description(t)
	if d.OpenAPI != "3.1.0" {
		t.Errorf("it is of version %q", d.OpenAPI)
	}
	routes := make(map[string]need)
	for _, r := range (&site{}).routes(nil) {
		if strings.Contains(r.pattern, "/api/") {
			routes[r.pattern] = r.need
		}
	}
	for path, methods := range d.Paths {
		for method, o := range methods {
			pattern := strings.ToUpper(method) + " " + path
			n, is := routes[pattern]
			if delete(routes, pattern); !is {
				t.Errorf("%s is described, and there is no such route", pattern)
			}
			open := slices.ContainsFunc(o.Security, func(s map[string][]string) bool { return len(s) == 0 })
			if open != (n == toRead) {
				t.Errorf("%s is said to be open: %v", pattern, open)
			}
			for _, scheme := range o.Security {
				for name := range scheme {
					if d.Components.SecuritySchemes[name].Type != "http" {
						t.Errorf("%s: there is no login %q", pattern, name)
					}
				}
			}
			if hasID := strings.Contains(path, "{"); hasID != (len(o.Parameters) > 0 && o.Parameters[0].In == "path") {
				t.Errorf("%s: parameters %v", pattern, o.Parameters)
			}
		}
	}
	for pattern := range routes {
		t.Errorf("%s is not described", pattern)
	}
}

// Every key of a query that is described is taken, and no other.
func TestTheDescriptionHasEveryKey(t *testing.T) {
	h := atDesk(t, newDesk(t))
	keys := regexp.MustCompile(`the keys are (.*)$`)
	for _, path := range []string{"/api/v1/alarms", "/api/v1/journal", "/api/v1/events"} {
		refused, _ := decoded(t, ask(h, "GET", path+"?nothing=1").Body.Bytes())["error"].(string)
		var want []string
		for _, p := range description(t).Paths[path]["get"].Parameters {
			want = append(want, p.Name)
		}
		if got := keys.FindStringSubmatch(refused); got == nil || got[1] != strings.Join(want, ", ") {
			t.Errorf("%s: %s; described are %v", path, refused, want)
		}
	}
	var states []string
	for _, state := range description(t).Paths["/api/v1/alarms"]["get"].Parameters[0].Schema.Items.Enum {
		states = append(states, state.(string))
	}
	if !slices.Equal(states, stateNames) {
		t.Errorf("described are the states %v", states)
	}
}

// Each property of a body that is described is taken, and no other.
func TestTheDescriptionHasEveryBody(t *testing.T) {
	d := description(t)
	for path, methods := range d.Paths {
		o, is := methods["post"]
		if !is {
			continue
		}
		body := d.Components.Schemas[strings.TrimPrefix(o.RequestBody.Content["application/json"].Schema.Ref, "#/components/schemas/")]
		keys := slices.Sorted(maps.Keys(body.Properties))
		for _, key := range append(keys, "other") {
			path := strings.ReplaceAll(path, "{id}", "x")
			unknown := strings.Contains(asKim(atDesk(t, newDesk(t)), "POST", path, `{"`+key+`": "x"}`).Body.String(), "unknown field")
			if unknown != (key == "other") {
				t.Errorf("%s: %s is unknown: %v", path, key, unknown)
			}
		}
		for _, p := range body.Properties {
			if p.MaxLength != 0 && p.MaxLength != mostText {
				t.Errorf("%s: a text of %d characters is described", path, p.MaxLength)
			}
		}
	}
}

// What is described of an object is what the program writes: the same
// properties, and required are those that are never left out.
func TestEveryPropertyIsDescribed(t *testing.T) {
	schemas := description(t).Components.Schemas
	for name, answer := range map[string]any{"Error": errorAnswer{}, "Act": actAnswer{}, "Shelf": shelfAnswer{},
		"Condition": conditionAnswer{}, "Incident": incidentAnswer{}, "Alarm": alarmAnswer{}, "Alarms": alarmsAnswer{}, "Entry": entryAnswer{},
		"Journal": journalAnswer{}, "Figures": figuresAnswer{}, "Service": serviceAnswer{}, "Point": pointAnswer{}, "Fan": fanAnswer{},
		"Gateway": gatewayAnswer{}, "Lately": latelyAnswer{}, "Incidents": incidentsAnswer{}, "Fleet": fleetAnswer{}, "Trend": trendAnswer{}, "Step": stepAnswer{}, "Extent": extentAnswer{},
		"Months": monthsAnswer{}, "Month": monthAnswer{}, "Report": reportAnswer{}, "FanMonth": fanMonthAnswer{}, "MonthEnergy": energyAnswer{},
		"Stood": stoodAnswer{}, "Creep": creepAnswer{}, "Trends": trendsAnswer{}, "SmallTrend": smallTrend{}, "Spans": spansAnswer{}, "Span": spanAnswer{}, "Done": doneAnswer{}, "Period": periodAnswer{},
		"Settings": settingsAnswer{}, "Setting": settingAnswer{}, "ReadBack": readBackAnswer{}, "Place": placeAnswer{}, "Baseline": baselineAnswer{},
		"RecordedSetting": baselineSettingAnswer{}, "Turnovers": turnoversAnswer{}, "Turnover": turnoverAnswer{}, "Retest": retestAnswer{},
		"BrokenRecord": brokenRecord{},
		"Site":         siteAnswer{}, "Unit": unitAnswer{}, "Kind": kindAnswer{},
		"Beat": beatAnswer{}, "SummaryNews": summaryAnswer{}, "Counts": countsAnswer{}, "AlarmsNews": alarmsMessage{},
		"BuildingNews": buildingMessage{}, "Row": rowAnswer{}, "FanNews": followedFan{},
	} {
		all, required := keysOf(reflect.TypeOf(answer))
		if got := slices.Sorted(maps.Keys(schemas[name].Properties)); !slices.Equal(got, all) {
			t.Errorf("%s has %v, described are %v", name, all, got)
		}
		if got := slices.Sorted(slices.Values(schemas[name].Required)); !slices.Equal(got, required) {
			t.Errorf("%s always has %v, required are %v", name, required, got)
		}
		delete(schemas, name)
	}
	if got := slices.Sorted(maps.Keys(schemas)); !slices.Equal(got, []string{"Empty", "GoneNews", "MarksNews", "Note", "Reason", "ShelfWanted"}) {
		t.Errorf("described beside them are %v", got)
	}
}

// keysOf returns the names that JSON gives the fields of a struct, sorted, and
// those that are never left out.
func keysOf(of reflect.Type) (all, required []string) {
	for field := range of.Fields() {
		if field.Anonymous {
			inner, always := keysOf(field.Type)
			all, required = append(all, inner...), append(required, always...)
			continue
		}
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		all = append(all, name)
		if options == "" {
			required = append(required, name)
		}
	}
	slices.Sort(all)
	slices.Sort(required)
	return all, required
}

// Every answer is as described.
func TestAnswersAreAsDescribed(t *testing.T) {
	d := description(t)
	web := people(t)
	for _, c := range []struct {
		method, path, of, body string
		status                 string
	}{
		{"GET", "/api/v1/site", "/api/v1/site", "", "200"},
		{"GET", "/api/v1/events?topic=x", "/api/v1/events", "", "400"},
		{"GET", "/api/v1/fleet", "/api/v1/fleet", "", "200"},
		{"GET", "/api/v1/fans/alder-ef2", "/api/v1/fans/{id}", "", "200"},
		{"GET", "/api/v1/fans/birch-ef1", "/api/v1/fans/{id}", "", "200"},
		{"GET", "/api/v1/fans/x", "/api/v1/fans/{id}", "", "404"},
		{"GET", "/api/v1/fans/alder-ef2/history?step=1h", "/api/v1/fans/{id}/history", "", "200"},
		{"GET", "/api/v1/fans/alder-ef2/history?step=x", "/api/v1/fans/{id}/history", "", "400"},
		{"GET", "/api/v1/fans/x/history", "/api/v1/fans/{id}/history", "", "404"},
		{"GET", "/api/v1/fans/alder-ef2/history.csv?step=1h", "/api/v1/fans/{id}/history.csv", "", "400"},
		{"GET", "/api/v1/fans/x/history.csv", "/api/v1/fans/{id}/history.csv", "", "404"},
		{"GET", "/api/v1/fans/alder-ef1/settings", "/api/v1/fans/{id}/settings", "", "200"},
		{"GET", "/api/v1/fans/birch-ef3/settings", "/api/v1/fans/{id}/settings", "", "200"},
		{"GET", "/api/v1/fans/alder-ef1/turnovers", "/api/v1/fans/{id}/turnovers", "", "200"},
		{"GET", "/api/v1/fans/alder-ef1/turnovers/" + provenAgain, "/api/v1/fans/{id}/turnovers/{record}", "", "200"},
		{"GET", "/api/v1/fans/alder-ef1/turnovers/" + provenBroken, "/api/v1/fans/{id}/turnovers/{record}", "", "500"},
		{"GET", "/api/v1/fans/alder-ef1/turnovers/x", "/api/v1/fans/{id}/turnovers/{record}", "", "404"},
		{"GET", "/api/v1/fans/x/turnovers", "/api/v1/fans/{id}/turnovers", "", "404"},
		{"GET", "/api/v1/fans/x/settings", "/api/v1/fans/{id}/settings", "", "404"},
		{"GET", "/api/v1/fans/alder-ef1/spans", "/api/v1/fans/{id}/spans", "", "200"},
		{"GET", "/api/v1/fans/alder-ef1/spans?step=5", "/api/v1/fans/{id}/spans", "", "400"},
		{"GET", "/api/v1/fans/x/spans", "/api/v1/fans/{id}/spans", "", "404"},
		{"GET", "/api/v1/buildings/alder/trends", "/api/v1/buildings/{id}/trends", "", "200"},
		{"GET", "/api/v1/buildings/alder/trends?hours=721", "/api/v1/buildings/{id}/trends", "", "400"},
		{"GET", "/api/v1/buildings/x/trends", "/api/v1/buildings/{id}/trends", "", "404"},
		{"GET", "/api/v1/reports", "/api/v1/reports", "", "200"},
		{"GET", "/api/v1/reports?x=1", "/api/v1/reports", "", "400"},
		{"GET", "/api/v1/reports/alder/2026-01", "/api/v1/reports/{building}/{month}", "", "200"},
		{"GET", "/api/v1/reports/alder/January", "/api/v1/reports/{building}/{month}", "", "400"},
		{"GET", "/api/v1/reports/x/2026-01", "/api/v1/reports/{building}/{month}", "", "404"},
		{"GET", "/api/v1/gateways/birch-roof", "/api/v1/gateways/{id}", "", "200"},
		{"GET", "/api/v1/gateways/x", "/api/v1/gateways/{id}", "", "404"},
		{"GET", "/api/v1/incidents?building=alder", "/api/v1/incidents", "", "200"},
		{"GET", "/api/v1/incidents?x=1", "/api/v1/incidents", "", "400"},
		{"GET", "/api/v1/alarms?state=all", "/api/v1/alarms", "", "200"},
		{"GET", "/api/v1/alarms?x=1", "/api/v1/alarms", "", "400"},
		{"GET", "/api/v1/alarms/" + stuck, "/api/v1/alarms/{id}", "", "200"},
		{"GET", "/api/v1/alarms/x", "/api/v1/alarms/{id}", "", "404"},
		{"GET", "/api/v1/alarms/figures", "/api/v1/alarms/figures", "", "200"},
		{"GET", "/api/v1/journal", "/api/v1/journal", "", "200"},
		{"GET", "/api/v1/openapi.json", "/api/v1/openapi.json", "", "200"},
		{"POST", act, "/api/v1/alarms/{id}/acknowledge", `{"note": "n"}`, "200"},
		{"POST", "/api/v1/alarms/" + stuck + "/shelve", "/api/v1/alarms/{id}/shelve", `{"for": "8h", "reason": "r"}`, "200"},
		{"POST", "/api/v1/alarms/" + stuck + "/shelve", "/api/v1/alarms/{id}/shelve", `{"until": 1, "reason": "r"}`, "400"},
		{"POST", "/api/v1/alarms/" + deadGate + "/unshelve", "/api/v1/alarms/{id}/unshelve", `{}`, "200"},
		{"POST", "/api/v1/fans/alder-ef2/out_of_service", "/api/v1/fans/{id}/out_of_service", `{"reason": "r"}`, "200"},
		{"POST", "/api/v1/fans/alder-ef2/in_service", "/api/v1/fans/{id}/in_service", `{}`, "200"},
		{"POST", "/api/v1/fans/x/in_service", "/api/v1/fans/{id}/in_service", `{}`, "404"},
	} {
		w := asKim(handling(newDesk(t), func() config.Web { return web }), c.method, c.path, c.body)
		if got := fmt.Sprint(w.Code); got != c.status {
			t.Errorf("%s %s: %s %s", c.method, c.path, got, w.Body)
		}
		d.check(t, c.method, c.of, w)
	}
}

// Every event is as described, the first of its topic and a later one.
func TestEventsAreAsDescribed(t *testing.T) {
	d := description(t)
	for name, of := range map[string]string{"summary": "SummaryNews", "alarms": "AlarmsNews", "marks": "MarksNews",
		"building:birch": "BuildingNews", "fan:alder-ef2": "FanNews", "fan:x": "GoneNews"} {
		w := watching(t, name)
		first := w.sees(sample.Campus(), 0)
		if err := errors.Join(w.desk.TakeOut("alder-ef2", "kim", "belt"), w.desk.TakeOut("birch-ef1", "kim", "belt")); err != nil {
			t.Fatal(err)
		}
		for _, told := range []map[string]any{first, w.sees(w.last.snapshot, time.Minute)} {
			delete(told, "event") // the watcher's own
			if wrong := d.unlike(any(told), d.Components.Schemas[of], name); wrong != "" && (told != nil || name != "fan:x") {
				t.Errorf("%s: %v", wrong, told)
			}
		}
	}
}

// check holds an answer against what is described for its status.
func (d *described) check(t *testing.T, method, path string, w *httptest.ResponseRecorder) {
	t.Helper()
	response, is := d.Paths[path][strings.ToLower(method)].Responses[fmt.Sprint(w.Code)]
	if !is {
		t.Errorf("%s %s: an answer of status %d is not described", method, path, w.Code)
		return
	}
	var answer any
	if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
		t.Fatal(err)
	}
	if wrong := d.unlike(answer, response.Content["application/json"].Schema, "answer"); wrong != "" {
		t.Errorf("%s %s: %s", method, path, wrong)
	}
}

// unlike says what in a value is not as a schema says, or "". What is not
// described is wrong too, except where the schema is of an object without
// properties.
func (d *described) unlike(value any, s *schema, at string) string {
	if s == nil {
		return at + " is not described"
	}
	if s.Ref != "" {
		return d.unlike(value, d.Components.Schemas[strings.TrimPrefix(s.Ref, "#/components/schemas/")], at)
	}
	if len(s.OneOf) > 0 && s.Properties == nil {
		var all []string
		for _, one := range s.OneOf {
			wrong := d.unlike(value, one, at)
			if wrong == "" {
				return ""
			}
			all = append(all, wrong)
		}
		return strings.Join(all, ", and ")
	}
	if !ofType(value, s.Type) {
		return fmt.Sprintf("%s is %v, want %v", at, value, s.Type)
	}
	switch v := value.(type) {
	case string:
		_, err := time.Parse(time.RFC3339, v)
		if s.Enum != nil && !slices.Contains(s.Enum, value) || s.Format == "date-time" && err != nil {
			return fmt.Sprintf("%s is %q", at, v)
		}
	case []any:
		for i, one := range v {
			if wrong := d.unlike(one, s.Items, fmt.Sprintf("%s[%d]", at, i)); wrong != "" {
				return wrong
			}
		}
	case map[string]any:
		return d.unlikeObject(v, s, at)
	}
	return ""
}

func (d *described) unlikeObject(value map[string]any, s *schema, at string) string {
	for _, key := range s.Required {
		if _, is := value[key]; !is {
			return at + "." + key + " is missing"
		}
	}
	other := &schema{}
	hasOther := len(s.Additional) > 0 && json.Unmarshal(s.Additional, other) == nil
	for _, key := range slices.Sorted(maps.Keys(value)) {
		of, is := s.Properties[key]
		switch {
		case is:
		case hasOther:
			of = other
		case s.Properties == nil:
			continue
		default:
			return at + "." + key + " is not described"
		}
		if wrong := d.unlike(value[key], of, at+"."+key); wrong != "" {
			return wrong
		}
	}
	return ""
}

// ofType reports whether a JSON value is of a type, or one of several.
func ofType(value, types any) bool {
	if several, is := types.([]any); is {
		return slices.ContainsFunc(several, func(one any) bool { return ofType(value, one) })
	}
	switch v := value.(type) {
	case nil:
		return types == "null"
	case bool:
		return types == "boolean"
	case string:
		return types == "string"
	case float64:
		return types == "number" || types == "integer" && v == float64(int64(v))
	case []any:
		return types == "array"
	default:
		return types == "object"
	}
}

// The check of the answers would find what is wrong.
func TestTheDescriptionIsReadStrictly(t *testing.T) {
	d := description(t)
	for text, of := range map[string]string{
		`{}`:                              "Error",
		`{"error": 1}`:                    "Error",
		`{"error": "x", "more": 1}`:       "Error",
		`{"time": "today", "who": "kim"}`: "Act",
		`{"time": null, "who": "kim"}`:    "Act",
		`[]`:                              "Act",
		`{"id": 1.5}`:                     "Alarm",
		`{"time": "2026-01-05T06:31:10Z", "total": 1.5, "alarms": []}`:   "Alarms",
		`{"time": "2026-01-05T06:31:10Z", "total": 1, "alarms": [null]}`: "Alarms",
	} {
		var value any
		if err := json.Unmarshal([]byte(text), &value); err != nil {
			t.Fatal(err)
		}
		if d.unlike(value, d.Components.Schemas[of], "it") == "" {
			t.Errorf("%s passes for %s", text, of)
		}
	}
}
