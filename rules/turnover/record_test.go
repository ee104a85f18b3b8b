package turnover

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

var handedOver = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// recorded is the record of the fan of rightMap, which was exercised. More is put
// into the fan's table of the fleet file.
func recorded(t testing.TB, system, more string) *Record {
	t.Helper()
	file := strings.Replace(fleetHead, `name = "x"`, "name = \"x\"\nunits = \""+system+"\"", 1)
	f := fleet(t, rightMap+file+fleetFan("f1", 1, more))
	proven := watch(f, map[int]*controller{1: newController(1)})
	return New(f, &proven[0], Made{Program: "fanwarden 1", Who: "J. Doe", Began: handedOver, Ended: handedOver.Add(time.Minute),
		Course: course(f.Fans[0]), First: firstRecord(t, f, proven[0])})
}

// firstRecord is the record of a fan an hour before, when its first point failed.
func firstRecord(t testing.TB, f *config.Fleet, proven Fan) []byte {
	t.Helper()
	proven.Proofs = slices.Clone(proven.Proofs)
	proven.Proofs[0].Verdict, proven.Proofs[0].Reason = Fail, "reads 0.0 Pa while the fan runs"
	data, err := json.Marshal(New(f, &proven, Made{Began: handedOver.Add(-time.Hour), Ended: handedOver.Add(-time.Hour)}))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// course is one of two speeds and the release, looked at every second with no
// answers.
func course(f *config.Fan) *Course {
	c := &Course{Released: true, Stopped: "it was interrupted"}
	for i, v := range []float64{0.2, 0.9, math.NaN()} {
		c.Marks = append(c.Marks, Mark{handedOver.Add(time.Duration(i) * 400 * time.Second), v})
	}
	for i := range 1300 {
		c.Looks = append(c.Looks, silent(f, handedOver.Add(time.Duration(i)*time.Second)))
	}
	return c
}

func TestRecordHolds(t *testing.T) {
	r := recorded(t, "imperial", "")
	if err := r.Verify(); err != nil {
		t.Fatal(err)
	}
	byName := map[reading.Point]PointRecord{}
	for _, p := range r.Points {
		byName[p.Point] = p
	}
	pressure, setpoint := byName[reading.Pressure], byName[reading.Setpoint]
	switch {
	case pressure.Register != "30011" || *pressure.Address != 10 || pressure.Table != "input" || pressure.Type != "int16" || pressure.Sign != "as_read":
		t.Errorf("place %+v", pressure)
	case pressure.Value == nil || !strings.HasSuffix(pressure.ValueText, " inH2O") || !strings.HasPrefix(pressure.Raw, "0x"):
		t.Errorf("value %+v", pressure)
	case pressure.Expected == nil || pressure.Tolerance == nil:
		t.Errorf("expected %+v", pressure)
	case setpoint.Order != "ABCD" || byName[reading.Speed].Order != "":
		t.Errorf("orders %q %q", setpoint.Order, byName[reading.Speed].Order)
	case byName[reading.HighSpeed].Bit != nil:
		t.Error("a table of bits has no bit")
	case r.Mode != Exercised || r.Witness != "" || r.RetestOf == nil:
		t.Errorf("mode %q witness %q", r.Mode, r.Witness)
	case len(r.Course.Trend) > trendAtMost || len(r.Course.Trend) < trendAtMost/2:
		t.Errorf("%d in the trend", len(r.Course.Trend))
	case r.Course.Marks[2].Speed != nil || *r.Course.Marks[1].Speed != 0.9:
		t.Errorf("marks %+v", r.Course.Marks)
	}
	b := r.Baseline()
	if !b.Time.Equal(r.Ended) || b.Settings[reading.MinSpeed] != *byName[reading.MinSpeed].Value || len(b.Settings) != 2 {
		t.Errorf("baseline %+v", b)
	}
}

func TestFailedSettingIsNoBaseline(t *testing.T) {
	f := &Fan{Fan: recordedFan(t), Proofs: []Proof{{Place: config.PlacedPoint{Point: reading.MinSpeed}, Verdict: Fail, Known: true, Value: 0.3}}}
	r := New(&config.Fleet{}, f, Made{})
	if len(r.Baseline().Settings) != 0 || r.Verdict() != Fail || r.Mode != Passive || r.Course != nil {
		t.Errorf("%+v", r)
	}
}

func recordedFan(t *testing.T) *config.Fan {
	return fleet(t, rightMap+fleetHead+fleetFan("f1", 1, "")).Fans[0]
}

func TestCanonicalJSONIsStable(t *testing.T) {
	r := recorded(t, "metric", "")
	data, _ := json.Marshal(r)
	back, err := ReadRecord(data)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(back)
	if !bytes.Equal(data, again) {
		t.Error("read and written again, it differs")
	}
	pretty, _ := json.MarshalIndent(r, "", "  ")
	if _, err := ReadRecord(pretty); err != nil {
		t.Errorf("indented: %v", err)
	}
	if other := recorded(t, "metric", ""); other.SHA256 != r.SHA256 {
		t.Error("the same proof has two hashes")
	}
}

// Every byte that is turned is found, also one that would read as the same.
func TestOneByteIsFound(t *testing.T) {
	r := recorded(t, "metric", "")
	r.Course.Trend = r.Course.Trend[:2] // what follows is the same over and over
	r.Points[0].Verdict = Fail
	r.Witness, r.Instruments = "W. Itness", []Instrument{{"Manometer", "M-12", "2026-05-01"}}
	r.Seal()
	data, _ := json.Marshal(r)
	for i := range data {
		changed := bytes.Clone(data)
		changed[i] ^= 1
		if _, err := ReadRecord(changed); err == nil {
			t.Fatalf("byte %d: %s", i, changed[max(0, i-20):min(len(data), i+20)])
		}
	}
}

func TestVerifySays(t *testing.T) {
	r := recorded(t, "metric", "")
	r.Points[0].Reason += "!"
	if err := r.Verify(); err == nil || !strings.Contains(err.Error(), "f1 was changed") {
		t.Error(err)
	}
	r.SHA256 = ""
	if err := r.Verify(); err == nil || !strings.Contains(err.Error(), "not sealed") {
		t.Error(err)
	}
}

// A name that is no text is made one before it is sealed.
func TestSealsWhatIsNoText(t *testing.T) {
	r := recorded(t, "metric", "")
	r.Who = "J\xff <b>"
	r.Seal()
	data, _ := json.Marshal(r)
	if _, err := ReadRecord(data); err != nil {
		t.Error(err)
	}
}
