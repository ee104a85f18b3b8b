package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// readingBack maps a setting, so that it is held against what turnover found.
func readingBack(t *testing.T, dir string) *config.Fleet {
	t.Helper()
	fleet := parsed(t, strings.Replace(threeFans, "[[buildings]]", `points.run_on = {table = "holding", address = 0, type = "uint16", unit = "s"}
[rules.settings_changed]
hold = "1s"
[[buildings]]`, 1))
	fleet.Store.Dir = dir
	return fleet
}

// What a store holds that opens only while the daemon runs counts from then on: the
// settings found at turnover, and who is out of service.
func TestAStoreThatOpensLateIsRecalled(t *testing.T) {
	above := t.TempDir()
	dir, aside := filepath.Join(above, "store"), filepath.Join(above, "aside")
	before := openOffice(t, aside)
	if err := before.TakeOut("ef3", "kim", "motor"); err != nil {
		t.Fatal(err)
	}
	before.close()
	store, _, err := journal.Open(filepath.Join(aside, journalFile))
	if err != nil {
		t.Fatal(err)
	}
	found := condition.Baseline{Time: newYear, Settings: map[reading.Point]float64{reading.RunOn: 90}}
	if err := store.KeepTurnover("ef1", newYear, []byte(`{}`), found); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(dir, nil, 0o600); err != nil { // a file is where the folder should be
		t.Fatal(err)
	}

	now := newYear
	fleet := readingBack(t, dir)
	d := newDesk(fleet, zap.NewNop(), func() time.Time { return now })
	defer d.close()
	j := newJudge(fleet, "test", zap.NewNop(), d, now)
	changed := func() bool {
		for range 60 {
			c := &poller.Cycle{Gateway: "roof", Start: now}
			for _, f := range fleet.Fans {
				r := reading.Reading{Fan: f.ID, Gateway: "roof", Time: now}
				r.Set(reading.Pressure, -30+float64(now.Unix()%7)/10)
				r.Set(reading.Speed, 0.5)
				r.Set(reading.RunOn, 120)
				c.Readings = append(c.Readings, r)
			}
			j.take(c)
			now = now.Add(5 * time.Second)
		}
		_, _, standing := j.engine.FanView("ef1")
		for _, s := range standing {
			if s.Condition == condition.SettingsChanged {
				return true
			}
		}
		return false
	}
	if d.tick(now) || changed() {
		t.Fatal("the store is there, or the settings are held against what nobody found")
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(aside, dir); err != nil {
		t.Fatal(err)
	}
	if !d.tick(now) || d.tick(now) {
		t.Fatal("that the store was opened is not said once")
	}
	j.recallKept(now)
	if !changed() {
		t.Error("the settings are not held against what turnover found")
	}
	if !outOf(j, "ef3") {
		t.Error("a fan that is out of service is judged")
	}
}

// outOf reports whether the rules judge nothing of a fan.
func outOf(j *judge, fan reading.FanID) bool {
	_, verdicts, _ := j.engine.FanView(fan)
	for _, v := range verdicts {
		if v.State != condition.CannotJudge {
			return false
		}
	}
	return true
}

// That a fan is out of service is dropped long after it left the fleet file, for good,
// and not before; one that is in the file stays out.
func TestFansThatLeftAreNotOutForEver(t *testing.T) {
	dir := t.TempDir()
	o := openOffice(t, dir)
	for _, fan := range []reading.FanID{"ef1", "ef9"} {
		if err := o.TakeOut(fan, "kim", "motor"); err != nil {
			t.Fatal(err)
		}
	}
	for _, step := range []struct {
		after time.Duration
		out   int
	}{{keepAlarms - 2*time.Minute, 2}, {time.Hour, 1}, {keepAlarms, 1}} {
		o.at = o.at.Add(step.after)
		o.tick(o.at)
		if out := o.Out(); len(out) != step.out {
			t.Errorf("at %s %d fans are out, want %d", o.at, len(out), step.out)
		}
	}
	if says := o.told("ef9", 1); says != string(alarm.WasPutIntoService) {
		t.Errorf("the journal says %s", says)
	}
	o.close()
	if out := openOffice(t, dir).Out(); len(out) != 1 || out["ef1"].Who != "kim" {
		t.Errorf("after a restart %v are out", out)
	}
}
