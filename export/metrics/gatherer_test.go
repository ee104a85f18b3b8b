package metrics

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"runtime"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

var update = flag.Bool("update", false, "write the golden files anew")

// over returns a gatherer over a snapshot that the test may exchange.
func over(s **export.Snapshot) *Gatherer {
	return New(func() *export.Snapshot { return *s }, sample.Now)
}

// plain makes a plain gatherer of ours, so that the client library's checks
// can be run over what it gives.
type plain struct{ g *Gatherer }

func (p plain) Gather() ([]*dto.MetricFamily, error) {
	families, done, err := p.g.Gather()
	done()
	return families, err
}

// text returns the exposition of a gatherer.
func text(t testing.TB, g *Gatherer) string {
	t.Helper()
	families, done, err := g.Gather()
	defer done()
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	encoder := expfmt.NewEncoder(&out, expfmt.NewFormat(expfmt.TypeTextPlain))
	for _, f := range families {
		if err := encoder.Encode(f); err != nil {
			t.Fatalf("%s: %v", f.GetName(), err)
		}
	}
	return out.String()
}

func TestCampusGolden(t *testing.T) {
	s := sample.Campus()
	got := strings.ReplaceAll(text(t, over(&s)), runtime.Version(), "GOVERSION")
	path := filepath.Join("testdata", "campus.prom")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	gotLines, wantLines := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range min(len(gotLines), len(wantLines)) {
		if gotLines[i] != wantLines[i] {
			t.Fatalf("line %d:\n got %s\nwant %s", i+1, gotLines[i], wantLines[i])
		}
	}
	if len(gotLines) != len(wantLines) {
		t.Fatalf("%d lines, want %d", len(gotLines), len(wantLines))
	}
}

func TestEveryNameThatOthersDependOn(t *testing.T) {
	s := sample.Campus()
	got := text(t, over(&s))
	for _, series := range []string{
		`fanwarden_pressure_pascals{building="alder",fan="alder-ef1"} -30.5`,
		`fanwarden_airflow_cubic_meters_per_second{building="alder",fan="alder-ef3"} 0.41`,
		`fanwarden_setpoint_pascals{building="alder",fan="alder-ef2"} -30`,
		`fanwarden_setpoint_cubic_meters_per_second{building="alder",fan="alder-ef3"} 0.4`,
		`fanwarden_speed_ratio{building="alder",fan="alder-ef2"} 1`,
		`fanwarden_high_speed_contact{building="alder",fan="alder-ef2"} 1`,
		`fanwarden_high_speed_contact{building="alder",fan="alder-ef1"} 0`,
		`fanwarden_fan_mode{building="alder",fan="alder-ef1",mode="controlling"} 1`,
		`fanwarden_reading_timestamp_seconds{building="alder",fan="alder-ef1"} 1.767594668e+09`,
		`fanwarden_fan_up{building="alder",fan="alder-ef1"} 1`,
		`fanwarden_fan_up{building="birch",fan="birch-ef1"} 0`,
		`fanwarden_gateway_lent{building="alder",gateway="alder-roof"} 0`,
		`fanwarden_gateway_up{building="alder",gateway="alder-roof"} 1`,
		`fanwarden_gateway_up{building="birch",gateway="birch-roof"} 0`,
		`fanwarden_condition_active{building="alder",condition="pinned_at_max",fan="alder-ef2",gateway="alder-roof",severity="ticket"} 1`,
		`fanwarden_condition_active{building="alder",condition="pinned_at_max",fan="alder-ef1",gateway="alder-roof",severity="ticket"} 0`,
		`fanwarden_condition_active{building="birch",condition="gateway_down",gateway="birch-roof",severity="page"} 1`,
		`fanwarden_polls_total{building="birch",gateway="birch-roof",outcome="timeout"} 4`,
		`fanwarden_polls_total{building="birch",gateway="birch-annex",outcome="path_unavailable"} 0`,
		`fanwarden_poll_duration_seconds_bucket{building="alder",gateway="alder-roof",le="0.1"} 0`,
		`fanwarden_poll_duration_seconds_bucket{building="alder",gateway="alder-roof",le="0.25"} 3`,
		`fanwarden_poll_duration_seconds_bucket{building="birch",gateway="birch-roof",le="30"} 0`,
		`fanwarden_poll_duration_seconds_bucket{building="birch",gateway="birch-roof",le="+Inf"} 2`,
		`fanwarden_poll_duration_seconds_count{building="birch",gateway="birch-roof"} 2`,
		`fanwarden_poll_duration_seconds_sum{building="birch",gateway="birch-roof"} 62`,
		`fanwarden_poll_start_delay_seconds_bucket{le="0.05"} 1`,
		`fanwarden_poll_start_delay_seconds_bucket{le="0.1"} 2`,
		`fanwarden_poll_start_delay_seconds_count 2`,
		`fanwarden_poll_cycles_missed_total{building="alder",gateway="alder-roof"} 2`,
		`fanwarden_build_info{goversion="` + runtime.Version() + `",version="1.2.3"} 1`,
		`fanwarden_config_last_reload_successful 1`,
		`fanwarden_config_last_reload_success_timestamp_seconds 1.76750107e+09`,
	} {
		if !strings.Contains(got, series+"\n") {
			t.Errorf("no series %s", series)
		}
	}
}

func TestWhatIsNotGoodHasNoSeries(t *testing.T) {
	s := sample.Campus()
	got := text(t, over(&s))
	for series, why := range map[string]string{
		`fanwarden_pressure_pascals{building="birch",fan="birch-ef1"}`:                                                               "its value is stale",
		`fanwarden_speed_ratio{building="birch",fan="birch-ef2"}`:                                                                    "its value is stale",
		`fanwarden_high_speed_contact{building="birch",fan="birch-ef1"}`:                                                             "its value is stale",
		`fanwarden_pressure_pascals{building="alder",fan="alder-ef4"}`:                                                               "its value is marked invalid",
		`fanwarden_setpoint_pascals{building="alder",fan="alder-ef4"}`:                                                               "its setpoint is mapped and was not answered",
		`fanwarden_pressure_pascals{building="birch",fan="birch-ef3"}`:                                                               "it was never read",
		`fanwarden_pressure_pascals{building="alder",fan="alder-ef3"}`:                                                               "it has no such point",
		`fanwarden_fan_up{building="birch",fan="birch-ef3"}`:                                                                         "it was never polled",
		`fanwarden_gateway_up{building="birch",gateway="birch-annex"}`:                                                               "it was never polled",
		`fanwarden_reading_timestamp_seconds{building="birch",fan="birch-ef3"}`:                                                      "it was never read",
		`fanwarden_condition_active{building="alder",condition="pinned_at_max",fan="alder-ef4",`:                                     "it cannot be judged",
		`fanwarden_condition_active{building="birch",condition="gateway_down",fan=`:                                                  "a gateway's own has no fan",
		`fanwarden_condition_active{building="birch",condition="stuck_idle",fan="birch-ef2",gateway="birch-roof",severity="ticket"}`: "it stands as a note",
	} {
		if strings.Contains(got, series) {
			t.Errorf("there is a series %s, though %s", series, why)
		}
	}
	for _, series := range []string{
		`fanwarden_reading_timestamp_seconds{building="birch",fan="birch-ef1"}`,                                                               // it stays
		`fanwarden_condition_active{building="birch",condition="controller_silent",fan="birch-ef1",gateway="birch-roof",severity="ticket"} 0`, // silenced
	} {
		if !strings.Contains(got, series) {
			t.Errorf("no series %s", series)
		}
	}
}

func TestValueLeavesWhenItIsOlderThanStaleAfter(t *testing.T) {
	s := sample.Campus()
	read := s.Fans[0].Values.Time
	at := read.Add(20 * time.Second)
	g := New(func() *export.Snapshot { return s }, func() time.Time { return at })
	const series = `fanwarden_pressure_pascals{building="alder",fan="alder-ef1"}`
	if !strings.Contains(text(t, g), series) {
		t.Error("a value as old as stale_after has no series")
	}
	at = at.Add(time.Nanosecond)
	if strings.Contains(text(t, g), series) {
		t.Error("a value older than stale_after still has a series")
	}
}

func TestAValueThatItsDeviceDoesNotStandByHasNoSeries(t *testing.T) {
	for _, q := range []reading.Quality{reading.Marked, reading.Faulty, reading.OutOfService, reading.Overridden, reading.OtherUnit} {
		s := sample.Campus()
		s.Fans[0].Values.Mark(reading.Pressure, q)
		s.Fans[0].Values.Mark(reading.HighSpeed, q)
		got := text(t, over(&s))
		for _, name := range []string{"fanwarden_pressure_pascals", "fanwarden_high_speed_contact"} {
			if strings.Contains(got, name+`{building="alder",fan="alder-ef1"}`) {
				t.Errorf("%s: %s has a series", q, name)
			}
		}
	}
}

func TestExactlyOneModeIsOne(t *testing.T) {
	s := sample.Campus()
	for mode := range condition.Modes {
		s.Fans[0].Mode = condition.Mode(mode)
		ones := 0
		for _, line := range strings.Split(text(t, over(&s)), "\n") {
			if strings.HasPrefix(line, `fanwarden_fan_mode{building="alder",fan="alder-ef1",`) && strings.HasSuffix(line, " 1") {
				ones++
				if !strings.Contains(line, `mode="`+condition.Mode(mode).String()+`"`) {
					t.Errorf("mode %v: %s", condition.Mode(mode), line)
				}
			}
		}
		if ones != 1 {
			t.Errorf("mode %v: %d modes are 1", condition.Mode(mode), ones)
		}
	}
}

// The registry of the client library would refuse duplicates, wrong types,
// labels that are out of order or not UTF-8; our gatherer passes it by.
func TestRegistryChecks(t *testing.T) {
	for name, s := range map[string]*export.Snapshot{"campus": sample.Campus(), "large": sample.Large(40)} {
		g := over(&s)
		if _, err := (prometheus.Gatherers{plain{g}}).Gather(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		problems, err := testutil.GatherAndLint(plain{g})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, p := range problems {
			t.Errorf("%s: %s: %s", name, p.Metric, p.Text)
		}
		families, done, _ := g.Gather()
		if !sort.SliceIsSorted(families, func(i, j int) bool { return families[i].GetName() < families[j].GetName() }) {
			t.Errorf("%s: the families are not in the order of their names", name)
		}
		done()
	}
}

// The check above must be able to fail.
func TestRegistryChecksCatchADuplicate(t *testing.T) {
	s := sample.Campus()
	s.Fleet.Fans[1].ID = s.Fleet.Fans[0].ID
	if _, err := (prometheus.Gatherers{plain{over(&s)}}).Gather(); err == nil {
		t.Error("two fans of one id were not noticed")
	}
}

func TestFamiliesAreInTheOrderOfTheirNames(t *testing.T) {
	for i := 1; i < familyCount; i++ {
		if families[i-1].name >= families[i].name {
			t.Errorf("%s stands before %s", families[i-1].name, families[i].name)
		}
	}
}

func TestNothingBeforeTheFirstSnapshot(t *testing.T) {
	var s *export.Snapshot
	g := over(&s)
	if got := text(t, g); got != "" {
		t.Errorf("without a snapshot: %s", got)
	}
	s = sample.Campus()
	if got := text(t, g); !strings.Contains(got, "fanwarden_fan_up") {
		t.Error("no metrics after the first snapshot")
	}
}

func TestReloadedFleetIsLaidOutAnew(t *testing.T) {
	s := sample.Campus()
	g := over(&s)
	text(t, g)
	before := g.layout

	next := *s // another snapshot of the same fleet
	s = &next
	if text(t, g); g.layout != before {
		t.Error("the same fleet was laid out again")
	}
	s = sample.Large(40)
	got := text(t, g)
	if strings.Contains(got, "alder") || !strings.Contains(got, `fan="ef00039"`) {
		t.Error("after a reload the old fleet is shown")
	}
}

func TestSeverityOfAConditionMayChange(t *testing.T) {
	s := sample.Campus()
	g := over(&s)
	text(t, g)
	s.Fans[1].Verdicts = []condition.Verdict{
		{Condition: condition.StuckIdle, Severity: condition.Page, State: condition.Present}}
	got := text(t, g)
	if !strings.Contains(got, `condition="stuck_idle",fan="alder-ef2",gateway="alder-roof",severity="page"} 1`) {
		t.Error("the new condition and severity are not shown")
	}
	if strings.Contains(got, `fanwarden_condition_active{building="alder",condition="pinned_at_max",fan="alder-ef2"`) {
		t.Error("a condition that is no longer judged still has a series")
	}
}

// The order in which an engine lists its verdicts is its own affair, and what
// cannot be judged may come and go in it.
func TestVerdictsInAnyOrder(t *testing.T) {
	s := sample.Campus()
	g := over(&s)
	v := s.Fans[0].Verdicts
	for range v {
		v = append(v[1:len(v):len(v)], v[0])
		s.Fans[0].Verdicts = v
		if _, err := (prometheus.Gatherers{plain{g}}).Gather(); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(text(t, g), `fan="alder-ef1",gateway="alder-roof",severity=`); n != len(v) {
			t.Fatalf("%d conditions are shown, want %d", n, len(v))
		}
	}
}

func TestInfinityAndNaNHaveNoSeries(t *testing.T) {
	s := sample.Campus()
	zero := 0.0
	for _, value := range []float64{1 / zero, -1 / zero, zero / zero} {
		s.Fans[0].Values.Set(reading.Pressure, value)
		if strings.Contains(text(t, over(&s)), `fanwarden_pressure_pascals{building="alder",fan="alder-ef1"}`) {
			t.Errorf("%v has a series", value)
		}
	}
}

func TestLabels(t *testing.T) {
	s := sample.Campus()
	s.Fans[0].Fan.Role = config.NoRole
	got := text(t, over(&s))
	want := "name=\"<script>alert(\\\"x\\\")</script>'\\\\\\n\uFFFD\u202Eend\""
	if !strings.Contains(got, want) {
		t.Errorf("the hostile name is not escaped as %s", want)
	}
	parser := expfmt.NewTextParser(model.LegacyValidation)
	parsed, err := parser.TextToMetricFamilies(strings.NewReader(got))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range parsed["fanwarden_fan_info"].Metric {
		for _, l := range m.Label {
			if l.GetValue() == "" {
				t.Errorf("label %s is empty", l.GetName())
			}
		}
	}
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	s := sample.Large(320)
	g := over(&s)
	gather := func() {
		_, done, _ := g.Gather()
		done()
	}
	gather()
	if n := testing.AllocsPerRun(20, gather); n != 0 {
		t.Errorf("%v allocations a scrape", n)
	}
}

func BenchmarkGather10000(b *testing.B) {
	s := sample.Large(10000)
	g := over(&s)
	_, done, _ := g.Gather() // lays the fleet out
	done()
	b.ReportAllocs()
	series := 0
	for b.Loop() {
		families, done, _ := g.Gather()
		series = 0
		for _, f := range families {
			series += len(f.Metric)
		}
		done()
	}
	b.ReportMetric(float64(series), "series")
}

func BenchmarkLayout10000(b *testing.B) {
	s := sample.Large(10000)
	b.ReportAllocs()
	for b.Loop() {
		newLayout(s)
	}
}
