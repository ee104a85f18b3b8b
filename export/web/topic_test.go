package web

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// watcher hands one picture after another to a topic.
type watcher struct {
	t     testing.TB
	topic topic
	desk  *paperDesk
	last  *picture
}

func watching(t testing.TB, name string) *watcher {
	q := &query{values: map[string][]string{"topic": {name}}}
	topics := q.topics()
	if q.wrong != "" {
		t.Fatal(q.wrong)
	}
	return &watcher{t: t, topic: topics[0], desk: newDesk(t)}
}

// sees returns what the topic tells of a snapshot, decoded, or nil.
func (w *watcher) sees(s *export.Snapshot, after time.Duration) map[string]any {
	w.t.Helper()
	notes := newLedger(w.desk, &names{})
	if w.last != nil && w.last.ledger.revision == notes.revision {
		notes = w.last.ledger
	}
	w.last = newPicture(s, sample.Now().Add(after), notes, w.last)
	m := w.topic.next(w.last)
	if m.data == nil {
		return nil
	}
	var told map[string]any
	if err := json.Unmarshal(m.data, &told); err != nil {
		w.t.Fatalf("%v: %s", err, m.data)
	}
	told["event"] = m.event
	return told
}

// altered returns a snapshot in which one fan is other than in the one before.
func altered(s *export.Snapshot, fan int, change func(*export.Fan)) *export.Snapshot {
	next := *s
	next.Fans = slices.Clone(s.Fans)
	f := *s.Fans[fan]
	change(&f)
	next.Fans[fan] = &f
	return &next
}

// reads returns a change to a reading of that time after the sample's now.
func reads(after time.Duration, pressure, speed float64) func(*export.Fan) {
	return func(f *export.Fan) {
		at := sample.Now().Add(after)
		f.Values.Time, f.Polled, f.LastGood = at, at, at
		f.Values.Set(reading.Pressure, pressure)
		f.Values.Set(reading.Speed, speed)
	}
}

// ids lists what a message says of under a key.
func ids(told map[string]any, list string) string {
	var all []string
	for _, one := range told[list].([]any) {
		id, _ := one.(map[string]any)["id"].(string)
		all = append(all, id)
	}
	return strings.Join(all, " ")
}

func TestTopicsThatAreAskedFor(t *testing.T) {
	h := showing(sample.Campus())
	for query, says := range map[string]string{
		"?topic=fans":     "it may be summary, alarms, marks, building:ID or fan:ID",
		"?topic=fan:":     "is unknown",
		"?topic=building": "is unknown",
		"?topics=marks":   "the keys are topic",
		"?" + strings.Repeat("topic=fan:x&", 3) + "topic=x": "is unknown",
		"?" + manyTopics(mostTopics+1):                      "at most 16 topics",
	} {
		w := ask(h, "GET", "/api/v1/events"+query)
		if w.Code != 400 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
	if w := ask(h, "HEAD", "/api/v1/events"); w.Code != 200 || w.Header().Get("Content-Type") != "text/event-stream" {
		t.Errorf("HEAD: %d %v", w.Code, w.Header())
	}
	if w := ask(showing(nil), "GET", "/api/v1/events"); w.Code != 503 {
		t.Errorf("before the first snapshot: %d", w.Code)
	}
	q := &query{values: map[string][]string{"topic": {"marks", "summary", "marks"}}}
	if n := len(q.topics()); n != 2 {
		t.Errorf("a topic that is asked for twice makes %d topics", n)
	}
	if n := len((&query{}).topics()); n != len(usualTopics) {
		t.Errorf("without a topic there are %d", n)
	}
}

func manyTopics(n int) string {
	var all []string
	for i := range n {
		all = append(all, "topic=fan:"+string(rune('a'+i)))
	}
	return strings.Join(all, "&")
}

func TestSummary(t *testing.T) {
	w := watching(t, "summary")
	s := sample.Campus()
	s.Alarms.Flood = true
	told := w.sees(s, 0)
	for key, want := range map[string]any{"fans": 7.0, "answering": 4.0, "page": 1.0, "ticket": 1.0, "note": 1.0, "unacknowledged": 1.0,
		"shelved": 1.0, "out_of_service": 0.0, "flood": true} {
		if told[key] != want {
			t.Errorf("%s is %v, want %v", key, told[key], want)
		}
	}
	buildings := told["buildings"].([]any)
	for i, want := range []map[string]any{
		{"id": "alder", "fans": 4.0, "well": 2.0, "note": 0.0, "ticket": 1.0, "page": 0.0, "unanswered": 0.0, "unjudged": 1.0, "gateways": 1.0, "gateways_down": 0.0},
		{"id": "birch", "fans": 3.0, "well": 0.0, "note": 1.0, "ticket": 0.0, "page": 0.0, "unanswered": 1.0, "unjudged": 1.0, "gateways": 2.0, "gateways_down": 1.0},
	} {
		if !maps.Equal(buildings[i].(map[string]any), want) {
			t.Errorf("%v, want %v", buildings[i], want)
		}
	}
	if again := w.sees(s, time.Second); again != nil {
		t.Errorf("told again, though nothing changed: %v", again)
	}
	if err := w.desk.TakeOut("alder-ef2", "kim", "belt"); err != nil {
		t.Fatal(err)
	}
	if told := w.sees(s, 2*time.Second); told["out_of_service"] != 1.0 {
		t.Errorf("a fan that went out of service is not counted: %v", told)
	}
}

// The summary of three hundred buildings must not be told every second.
func TestALongSummaryIsToldLessOften(t *testing.T) {
	w := watching(t, "summary")
	l, bytes, messages := newLiving(10000), 0, 0
	for second := range 60 {
		l.poll(second)
		if w.sees(l.snapshot, time.Duration(second)*time.Second) != nil {
			bytes, messages = bytes+len(w.last.summary), messages+1
		}
	}
	if messages < 5 || bytes > 60*summaryPace+len(w.last.summary) {
		t.Errorf("%d bytes in %d messages of a minute", bytes, messages)
	}
}

func TestBuildingTellsWhatChanged(t *testing.T) {
	w := watching(t, "building:alder")
	s := sample.Campus()
	told := w.sees(s, 0)
	if told["event"] != "building" || told["full"] != true || ids(told, "fans") != "alder-ef1 alder-ef2 alder-ef3 alder-ef4" || ids(told, "gateways") != "alder-roof" {
		t.Fatalf("the first message: %v", told)
	}
	row := told["fans"].([]any)[1].(map[string]any)
	if row["setpoint"] != -30.0 || row["rank"] != float64(ticketNeeds) || row["out_of_service"] != nil ||
		row["conditions"].([]any)[0].(map[string]any)["condition"] != "pinned_at_max" || row["values"].(map[string]any)["pressure_pa"] != -12.0 {
		t.Errorf("the row of alder-ef2: %v", row)
	}
	if again := w.sees(s, time.Second); again != nil {
		t.Errorf("told again, though nothing changed: %v", again)
	}
	s = altered(s, 0, reads(2*time.Second, -29, 0.5))
	if told := w.sees(s, 2*time.Second); told["full"] != nil || ids(told, "fans") != "alder-ef1" || ids(told, "gateways") != "" {
		t.Errorf("after a reading of alder-ef1: %v", told)
	}
	if err := w.desk.TakeOut("alder-ef2", "kim", "belt"); err != nil {
		t.Fatal(err)
	}
	told = w.sees(s, 3*time.Second)
	if ids(told, "fans") != "alder-ef2" || told["fans"].([]any)[0].(map[string]any)["out_of_service"].(map[string]any)["who"] != "kim" {
		t.Errorf("after alder-ef2 went out of service: %v", told)
	}
	// What nobody reads any more grows old by itself.
	told = w.sees(s, 21*time.Second)
	if ids(told, "fans") != "alder-ef2 alder-ef3 alder-ef4" {
		t.Errorf("when the values are stale: %v", ids(told, "fans"))
	}
}

func TestFanIsToldWholeWhenSomethingChanged(t *testing.T) {
	w := watching(t, "fan:alder-ef2")
	s := sample.Campus()
	told := w.sees(s, 0)
	alarms, _ := told["alarms"].([]any)
	if told["event"] != "fan" || told["id"] != "alder-ef2" || told["age_s"] == nil || told["time"] != "2026-01-05T06:31:10Z" || told["points"] != nil ||
		told["out_of_service"] != nil || len(alarms) != 1 || alarms[0].(map[string]any)["id"] != pinned {
		t.Errorf("%v", told)
	}
	if again := w.sees(s, time.Second); again != nil {
		t.Errorf("told again, though it only grew older: %v", again)
	}
	if told := w.sees(altered(s, 0, reads(2*time.Second, -29, 0.5)), 2*time.Second); told != nil {
		t.Errorf("another fan changed: %v", told)
	}
	if err := w.desk.Acknowledge(pinned, "lee", ""); err != nil {
		t.Fatal(err)
	}
	if told := w.sees(s, 3*time.Second); told["alarms"].([]any)[0].(map[string]any)["state"] != "acknowledged" {
		t.Errorf("after its alarm was acknowledged: %v", told["alarms"])
	}
	if told := w.sees(s, time.Minute); told["mode"] != "unknown" || len(told["values"].(map[string]any)) != 0 {
		t.Errorf("when its values are stale: %v", told)
	}
}

func TestWhatLeavesTheFleetIsGone(t *testing.T) {
	s := sample.Campus()
	without := *s
	fleet := *s.Fleet
	fleet.Fans, fleet.Buildings = fleet.Fans[1:], fleet.Buildings[1:]
	without.Fleet, without.Fans = &fleet, s.Fans[1:]
	for _, name := range []string{"fan:alder-ef1", "building:alder"} {
		w := watching(t, name)
		steps := []struct {
			s    *export.Snapshot
			want string
		}{{&without, "gone"}, {&without, ""}, {s, strings.Split(name, ":")[0]}, {s, ""}, {&without, "gone"}}
		for i, step := range steps {
			told := w.sees(step.s, time.Duration(i)*time.Second)
			got, _ := told["event"].(string)
			if got != step.want || got == "gone" && told["topic"] != name {
				t.Errorf("%s, step %d: %v, want %q", name, i, told, step.want)
			}
		}
	}
}

func TestAlarmsTellWhatChanged(t *testing.T) {
	w := watching(t, "alarms")
	s := sample.Campus()
	told := w.sees(s, 0)
	if told["full"] != true || ids(told, "alarms") != deadGate+" "+pinned+" "+stuck {
		t.Errorf("the first message: %v", told)
	}
	if again := w.sees(s, time.Second); again != nil {
		t.Errorf("told again, though nothing changed: %v", again)
	}
	clear := func(gateway reading.GatewayID, fan reading.FanID, name condition.Name, at time.Duration) error {
		return w.desk.note(w.desk.book.Take(&condition.Transition{Time: sample.Now().Add(at), Gateway: gateway, Fan: fan, Condition: name,
			Change: condition.Cleared, Reason: condition.Disarmed}), nil)
	}
	for i, c := range []struct {
		act       func() error
		id, state string
	}{
		{func() error { return w.desk.Acknowledge(pinned, "lee", "") }, pinned, "acknowledged"},
		{func() error { return clear("alder-roof", "alder-ef2", condition.PinnedAtMax, time.Second) }, pinned, "normal"},
		{func() error { return clear("birch-roof", "", condition.GatewayDown, time.Second) }, deadGate, "normal"}, // still on the shelf
		{func() error { return w.desk.Unshelve(deadGate, "kim") }, deadGate, "normal"},
	} {
		if err := c.act(); err != nil {
			t.Fatal(err)
		}
		told := w.sees(s, time.Duration(i+2)*time.Second)
		if told["full"] != nil || ids(told, "alarms") != c.id || told["alarms"].([]any)[0].(map[string]any)["state"] != c.state {
			t.Errorf("step %d: %v, want %s of %s", i, told, c.state, c.id)
		}
	}
	// What is over and known is not told again.
	if err := w.desk.TakeOut("alder-ef4", "kim", "belt"); err != nil {
		t.Fatal(err)
	}
	if told := w.sees(s, time.Minute); told != nil {
		t.Errorf("after an act that is of no alarm: %v", told)
	}
}
