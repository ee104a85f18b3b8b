package main

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

func after(minutes float64) time.Time {
	return midnight.Add(time.Duration(minutes * float64(time.Minute)))
}

func raised(name condition.Name, minutes ...float64) (all []condition.Transition) {
	for _, m := range minutes {
		all = append(all, condition.Transition{Condition: name, Change: condition.Raised, Time: after(m)})
	}
	return all
}

// pinnedLabel is a fan that is too small from minute 60 and shows it from 90.
func pinnedLabel() *label {
	return &label{fan: "ef1", kind: field.Undersized, onset: after(60), shows: after(90), limit: 30 * minute, want: condition.PinnedAtMax}
}

func TestWhatARaisedConditionIsWorth(t *testing.T) {
	const pinned, idle = condition.PinnedAtMax, condition.StuckIdle
	hidden, ended, healthy, also := pinnedLabel(), pinnedLabel(), &label{fan: "ef2"}, pinnedLabel()
	hidden.shows, ended.until, also.also = time.Time{}, after(200), []condition.Name{idle}
	instead, drawn := pinnedLabel(), &label{fan: "ef2", holds: func(c *condition.Transition) bool { return c.Time == after(10) }}
	instead.instead = []condition.Name{idle}
	for _, test := range []struct {
		name   string
		label  *label
		raised []condition.Transition
		want   tally // of pinned_at_max, but for second and wrong: of all
	}{
		{"in time", pinnedLabel(), raised(pinned, 112), tally{faults: 1, shown: 1, found: 1, inTime: 1}},
		{"late", pinnedLabel(), raised(pinned, 121), tally{faults: 1, shown: 1, found: 1}},
		{"never", pinnedLabel(), nil, tally{faults: 1, shown: 1}},
		{"never shown", hidden, nil, tally{faults: 1}},
		{"never shown, found", hidden, raised(pinned, 300), tally{faults: 1, found: 1, unseen: 1}},
		{"before its onset", pinnedLabel(), raised(pinned, 59), tally{faults: 1, shown: 1, wrong: 1}},
		{"twice, the first counts", pinnedLabel(), raised(pinned, 112, 200), tally{faults: 1, shown: 1, found: 1, inTime: 1}},
		{"something else", pinnedLabel(), raised(idle, 112), tally{faults: 1, shown: 1, second: 1}},
		{"a true consequence", also, raised(idle, 112), tally{faults: 1, shown: 1, second: 1, truly: 1}},
		{"what says as much", instead, raised(idle, 112), tally{faults: 1, shown: 1, found: 1, inTime: 1}},
		{"healthy, but so", drawn, raised(pinned, 10, 20), tally{wrong: 2, literal: 1}},
		{"soon after its end", ended, raised(pinned, 225), tally{faults: 1, shown: 1, found: 1}},
		{"long after its end", ended, raised(pinned, 231), tally{faults: 1, shown: 1, wrong: 1}},
		{"on a healthy fan", healthy, raised(pinned, 10, 20), tally{wrong: 2}},
	} {
		s := newScore()
		s.judge("", test.label, test.raised, after(1000))
		got := *s.of(pinned)
		got.delays, got.open, got.second, got.truly = nil, 0, got.second+s.of(idle).second, got.truly+s.of(idle).truly
		if !reflect.DeepEqual(got, test.want) {
			t.Errorf("%s: %+v, want %+v", test.name, got, test.want)
		}
	}
}

func TestWhatIsLeftStandingAfterAFault(t *testing.T) {
	cleared := condition.Transition{Condition: condition.PinnedAtMax, Change: condition.Cleared, Time: after(300)}
	late := cleared
	late.Time = after(321)
	for _, test := range []struct {
		changes []condition.Transition
		end     time.Time
		want    int
	}{
		{raised(condition.PinnedAtMax, 112), after(1000), 1},
		{append(raised(condition.PinnedAtMax, 112), cleared), after(1000), 0},
		{append(raised(condition.PinnedAtMax, 112), late), after(1000), 1},
		{raised(condition.PinnedAtMax, 112), after(319), 0},
		{nil, after(1000), 0},
	} {
		s, l := newScore(), pinnedLabel()
		l.until = after(200)
		s.judge("", l, test.changes, test.end)
		if got := s.of(condition.PinnedAtMax).open; got != test.want {
			t.Errorf("%v until %s: %d, want %d", test.changes, test.end, got, test.want)
		}
	}
}

func TestTheTable(t *testing.T) {
	total := newBoth()
	for i, minutes := range []float64{100, 105, 112, 121} {
		one := newBoth()
		one.rules.runs, one.rules.readings, one.rules.fanTime = 1, 1000, 12*time.Hour
		one.rules.judge("seed 1", pinnedLabel(), raised(condition.PinnedAtMax, minutes), after(1000))
		one.plain.judge("seed 1", pinnedLabel(), raised(condition.PinnedAtMax, minutes+10), after(1000))
		if i == 0 {
			one.rules.judge("seed 1", &label{fan: "ef2", note: "gusts"}, raised(condition.InvertedSign, 7), after(1000))
		}
		if i == 1 {
			one.plain.judge("seed 1", &label{fan: "ef3", kind: field.OverFast, want: condition.Hunting,
				also: []condition.Name{condition.PinnedAtMax}}, raised(condition.PinnedAtMax, 7), after(1000))
		}
		total.add(one)
	}
	var out strings.Builder
	if err := total.print(&out); err != nil {
		t.Fatal(err)
	}
	table := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{
		"pinned_at_max 4 4 3 75.0 1 0 0 0 0 0 0 0 15:00 31:00",
		"inverted_sign 0 0 0 - 0 0 1 0 0 0 0 0 - -",
		"all 4 4 3 75.0 1 0 1 0 0 0 0 0 15:00 31:00",
		"pinned_at_max 4 75.0 0 0 0 15:00 | 50.0 0 1 0 25:00",
		"inverted_sign 0 - 1 0 0 - | - 0 0 0 -",
		"4 runs, 2 fan-days, 4000 readings",
		"rules: 1 samples without a fault, of which 1 had a false alarm (100.0 %); 4 with one, of which 0 had a second condition (0.0 %), 0 an",
		"held thresholds: 0 samples without a fault, of which 0 had a false alarm (- %); 5 with one, of which 1 had a second condition (20.0 %), 0 an",
		"A fault is one trouble",
	} {
		if !strings.Contains(table, want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	if cases := total.rules.cases; len(cases) != 2 || !strings.Contains(cases[0], "(healthy, gusts)") {
		t.Errorf("cases %q", cases)
	}
	out.Reset()
	total.rules.only = []condition.Name{condition.StuckIdle}
	if err := total.print(&out); err != nil || strings.Contains(out.String(), "inverted_sign  ") {
		t.Errorf("%v, of stuck_idle only:\n%s", err, out.String())
	}
}

func TestQuantiles(t *testing.T) {
	delays := []time.Duration{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	for q, want := range map[float64]time.Duration{0: 1, 0.5: 5, 0.95: 10, 0.9: 9} {
		if got, ok := quantile(delays, q); got != want || !ok {
			t.Errorf("quantile %v is %d, want %d", q, got, want)
		}
	}
	if _, ok := quantile(nil, 0.5); ok {
		t.Error("a quantile of nothing")
	}
}

func TestTruthHasOneRowForEachLabel(t *testing.T) {
	var out strings.Builder
	l := pinnedLabel()
	l.note = "small, really"
	if err := writeTruth(&out, []*label{l, {gateway: "gw1"}}); err != nil {
		t.Fatal(err)
	}
	want := "fan,gateway,fault,onset,shows,until,condition,note\n" +
		"ef1,,undersized,2026-01-05T01:00:00Z,2026-01-05T01:30:00Z,,pinned_at_max,\"small, really\"\n,gw1,,,,,,\n"
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}
