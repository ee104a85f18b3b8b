package turnover

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"fanwarden/poller/reading"
)

// A retest names the first record, and says what has become of each failure.
func TestRetestSaysWhatChanged(t *testing.T) {
	r := recorded(t, "metric", "")
	if r.RetestOf == nil || len(r.RetestOf.SHA256) != 64 || !r.RetestOf.Time.Equal(handedOver.Add(-60*60e9)) || r.RetestOf.Doubt != "" {
		t.Fatalf("%+v", r.RetestOf)
	}
	first := r.RetestOf.Since[0]
	if first.What != r.Points[0].Point.String() || *first.Was != Fail || *first.Is != Pass || first.Then != "reads 0.0 Pa while the fan runs" || !first.Mended() {
		t.Errorf("%+v", first)
	}
	data, _ := json.Marshal(r)
	if back, err := ReadRecord(data); err != nil || len(back.RetestOf.Since) != len(r.RetestOf.Since) || *back.RetestOf.Since[0].Was != Fail {
		t.Errorf("%v: %+v", err, back)
	}
}

func TestSince(t *testing.T) {
	record := func(verdicts map[reading.Point]Verdict, seen ...Seen) *Record {
		r := &Record{Format: RecordFormat, Seen: seen}
		for p := range reading.Points {
			if v, is := verdicts[reading.Point(p)]; is {
				r.Points = append(r.Points, PointRecord{Point: reading.Point(p), Verdict: v, Reason: "because"})
			}
		}
		r.Seal()
		return r
	}
	was := record(map[reading.Point]Verdict{reading.Pressure: Fail, reading.Speed: Pass, reading.HighSpeed: Fail, reading.Setpoint: Fail, reading.Fault: Pass},
		Seen{What: "idle", Verdict: NotSeen})
	now := record(map[reading.Point]Verdict{reading.Pressure: Pass, reading.Speed: Fail, reading.HighSpeed: Fail, reading.Power: Fail, reading.Fault: Pass},
		Seen{What: "idle", Verdict: Pass})
	data, _ := json.Marshal(was)
	got := map[string]string{}
	for _, s := range retestOf(data, now).Since {
		text := "none"
		if s.Was != nil {
			text = s.Was.String() + " (" + s.Then + ")"
		}
		if s.Is != nil {
			text += " to " + s.Is.String()
		}
		for what, is := range map[string]bool{"mended": s.Mended(), "still": s.Still(), "fresh": s.Fresh()} {
			if is {
				text += ", " + what
			}
		}
		got[s.What] = text
	}
	want := map[string]string{"pressure": "fail (because) to pass, mended", "speed": "pass (because) to fail, fresh", "high_speed": "fail (because) to fail, still",
		"setpoint": "fail (because)", "power": "none to fail, fresh", "idle": "not_seen () to pass"}
	for what, says := range want {
		if got[what] != says {
			t.Errorf("%s: %q, want %q", what, got[what], says)
		}
	}
	if len(got) != len(want) {
		t.Errorf("%v", got)
	}
}

// A first record that was changed is named, and nothing is taken from it.
func TestRetestOfADoubtfulRecord(t *testing.T) {
	r := recorded(t, "metric", "")
	data, _ := json.Marshal(r)
	changed := bytes.Replace(data, []byte(`"J. Doe"`), []byte(`"J. Roe"`), 1)
	if got := retestOf(changed, r); got.SHA256 != r.SHA256 || len(got.Since) > 0 || !strings.Contains(got.Doubt, "was changed") {
		t.Errorf("%+v", got)
	}
	if got := retestOf([]byte(`{`), r); got.SHA256 != "" || !strings.Contains(got.Doubt, "no record") {
		t.Errorf("%+v", got)
	}
}
