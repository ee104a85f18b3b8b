package daemon

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export/history"
	"fanwarden/poller"
	"fanwarden/poller/reading"
)

// keeping returns a judge of three fans that keeps what it is given.
func keeping(t *testing.T, now time.Time) (*judge, *history.Store) {
	t.Helper()
	fleet, faults := config.Parse("fleet.toml", []byte(threeFans), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	store := history.Open(history.Options{Dir: t.TempDir(), Keep: fleet.Store.Keep})
	t.Cleanup(store.Close)
	j := newJudge(fleet, "test", zap.NewNop(), newDesk(fleet, zap.NewNop(), time.Now), now)
	j.setHistory(store)
	return j, store
}

// Every reading is kept with the values that were read, also where they are no
// longer shown because their gateway repeats them.
func TestWhatIsReadIsKept(t *testing.T) {
	now := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	j, store := keeping(t, now)
	const cycles, moving = 12 * 150, 12 * 120 // every 5 s
	random, pressures := rand.New(rand.NewPCG(1, 2)), make([]float64, 3)
	for i := range cycles {
		c := &poller.Cycle{Gateway: "roof", Start: now.Add(time.Duration(i) * 5 * time.Second)}
		for n := range pressures {
			if i < moving {
				pressures[n] = -30 + float64(int(10*random.NormFloat64()))/10
			}
			r := reading.Reading{Fan: reading.FanID(fmt.Sprintf("ef%d", n+1)), Gateway: "roof", Time: c.Start}
			r.Set(reading.Pressure, pressures[n])
			r.Set(reading.Speed, 0.5)
			c.Readings = append(c.Readings, r)
		}
		j.take(c)
	}
	if !j.engine.Repeats("roof") {
		t.Fatal("the gateway does not repeat its values")
	}
	if err := store.Flush(); err != nil {
		t.Fatal(err)
	}
	for _, id := range []reading.FanID{"ef1", "ef2", "ef3"} {
		got, err := store.Trend(t.Context(), id, reading.Pressure, now, now.Add(3*time.Hour), 3*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Buckets) != 1 || got.Buckets[0].Readings != cycles || got.Buckets[0].Value.Count != cycles {
			t.Errorf("%s: %+v", id, got.Buckets)
		}
	}
	if f := j.keep.figures(); f.Written != 3*cycles || !f.Up {
		t.Errorf("%+v", f)
	}
}

// What is fed of the past is kept too.
func TestThePastIsKept(t *testing.T) {
	now := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	j, store := keeping(t, now)
	const n = 3*recallBatch + 7
	err := j.recall(func(feed func(*reading.Reading)) error {
		for i := range n {
			r := reading.Reading{Fan: "ef1", Gateway: "roof", Time: now.Add(time.Duration(i) * time.Second)}
			r.Set(reading.Pressure, -30)
			r.Set(reading.Speed, 0.5)
			feed(&r)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Flush(); err != nil {
		t.Fatal(err)
	}
	if f := store.Figures(); f.Written != n || f.Dropped.Full+f.Dropped.Order != 0 {
		t.Errorf("%+v", f)
	}
}
