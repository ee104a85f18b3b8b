package export

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

var epoch = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

func smallFleet(fans ...reading.FanID) *config.Fleet {
	gateway := &config.Gateway{ID: "roof", StaleAfter: 20 * time.Second}
	fleet := &config.Fleet{Gateways: []*config.Gateway{gateway}}
	for _, id := range fans {
		fleet.Fans = append(fleet.Fans, &config.Fan{ID: id, Gateway: gateway})
	}
	return fleet
}

func answered(fan reading.FanID, at time.Time, pressure float64) *reading.Reading {
	r := &reading.Reading{Fan: fan, Gateway: "roof", Time: at}
	r.Set(reading.Pressure, pressure)
	r.Set(reading.Speed, 0.5)
	return r
}

func TestASnapshotNeverChangesOncePublished(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	b.SetReading(answered("a", epoch, -30))
	b.Publish(epoch)
	before := b.Snapshot()
	b.SetReading(answered("a", epoch.Add(5*time.Second), -10))
	b.SetFanState("a", condition.AtMax, nil, nil)
	b.Publish(epoch.Add(5 * time.Second))

	if v, _ := before.Fans[0].Values.Get(reading.Pressure); v != -30 || before.Fans[0].Mode != condition.Unknown {
		t.Errorf("the first snapshot now says %v Pa, mode %v", v, before.Fans[0].Mode)
	}
	if v, _ := b.Snapshot().Fans[0].Values.Get(reading.Pressure); v != -10 {
		t.Errorf("the second snapshot says %v Pa, want -10", v)
	}
}

// That a fan may be forced is shown from the next snapshot on, until it is not.
func TestLeftForced(t *testing.T) {
	b := NewBoard(smallFleet("a", "b"), "test", epoch)
	b.SetLeftForced("a", &epoch)
	b.SetLeftForced("b", nil)
	b.SetLeftForced("nobody", &epoch)
	b.Publish(epoch)
	before := b.Snapshot()
	b.SetLeftForced("a", nil)
	b.Publish(epoch.Add(time.Second))
	after := b.Snapshot()
	if before.Fans[0].LeftForced == nil || before.Fans[1].LeftForced != nil || after.Fans[0].LeftForced != nil || after.Fans[1] != before.Fans[1] {
		t.Errorf("before %v and %v, after %v", before.Fans[0].LeftForced, before.Fans[1].LeftForced, after.Fans[0].LeftForced)
	}
}

// Words and values are of one cycle, in every snapshot.
func TestWordsAreThoseOfTheValues(t *testing.T) {
	b := NewBoard(smallFleet("a", "b"), "test", epoch)
	all := []reading.Reading{*answered("a", epoch, -1), *answered("b", epoch, -1)}
	words := [][]uint16{{1, 1}, {1, 1}} // of the poller, which uses them again
	var shown []*Snapshot
	for n := range uint16(10) {
		at := epoch.Add(time.Duration(n) * 5 * time.Second)
		for i, id := range []reading.FanID{"a", "b"} {
			words[i][0], words[i][1] = n, n
			all[i] = *answered(id, at, float64(n))
			if i == 1 && n%3 == 2 {
				all[i] = reading.Reading{Fan: id, Time: at, Outcome: reading.Timeout}
			}
		}
		b.SetReadings(all, words)
		b.SetFanState("a", condition.Controlling, nil, nil)
		if n != 4 { // what is not shown in between
			b.Publish(at)
			shown = append(shown, b.Snapshot())
		}
	}
	for i, s := range shown {
		for _, f := range s.Fans {
			v, _ := f.Values.Get(reading.Pressure)
			if len(f.Raw) != 2 || float64(f.Raw[0]) != v || float64(f.Raw[1]) != v {
				t.Errorf("snapshot %d: fan %s has the words %v of %v", i, f.Fan.ID, f.Raw, v)
			}
		}
	}
	b.SetReading(answered("a", epoch, -30))
	b.Publish(epoch)
	if got := b.Snapshot().Fans[0].Raw; got != nil {
		t.Errorf("a reading without words has %v", got)
	}
	fleet := smallFleet("a", "b")
	fleet.Fans[1].Base = 100
	b.SetFleet(fleet, epoch)
	if got := b.Snapshot().Fans[1]; got.Raw != nil || got.Values.Time.IsZero() {
		t.Errorf("a fan that is read elsewhere has the words %v", got.Raw)
	}
}

func TestAFailedPollKeepsTheLastValuesUntilTheyAreStale(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	b.SetReading(answered("a", epoch, -30))
	b.SetReading(&reading.Reading{Fan: "a", Time: epoch.Add(5 * time.Second), Outcome: reading.Timeout})
	b.Publish(epoch)
	fan := b.Snapshot().Fans[0]

	if fan.Up(epoch.Add(5*time.Second)) || !fan.LastGood.Equal(epoch) {
		t.Errorf("up %v, last good %v; want down, last good at the answered poll", fan.Up(epoch.Add(5*time.Second)), fan.LastGood)
	}
	if v, ok := fan.Fresh(reading.Pressure, epoch.Add(20*time.Second)); !ok || v != -30 {
		t.Errorf("at 20 s: %v %v, want -30 true", v, ok)
	}
	if _, ok := fan.Fresh(reading.Pressure, epoch.Add(20*time.Second+1)); ok {
		t.Error("beyond stale_after the value is still fresh")
	}
}

func TestARefusedPointBesideGoodOnesIsAGoodReading(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	r := answered("a", epoch, -30)
	r.Outcome = reading.Exception
	b.SetReading(r)
	b.SetReading(&reading.Reading{Fan: "a", Time: epoch.Add(5 * time.Second), Outcome: reading.Exception})
	b.Publish(epoch)
	if fan := b.Snapshot().Fans[0]; !fan.LastGood.Equal(epoch) || !fan.Up(epoch.Add(5*time.Second)) {
		t.Errorf("last good %v, up %v; want the first reading's time, up", fan.LastGood, fan.Up(epoch))
	}
}

func TestAReloadKeepsWhatIsKnownOfTheFansThatStay(t *testing.T) {
	b := NewBoard(smallFleet("a", "b"), "test", epoch)
	b.SetReading(answered("b", epoch, -30))
	b.CountCycle("roof", epoch, time.Second, 2, []reading.Reading{{Outcome: reading.OK}, {Outcome: reading.Timeout}})
	b.SetFleet(smallFleet("c", "b"), epoch.Add(time.Minute))
	s := b.Snapshot()

	if s.Fans[0].Fan.ID != "c" || !s.Fans[0].Polled.IsZero() {
		t.Errorf("fan c: %+v, want an unknown one", s.Fans[0])
	}
	if v, _ := s.Fans[1].Values.Get(reading.Pressure); s.Fans[1].Fan.ID != "b" || v != -30 {
		t.Errorf("fan b: %v Pa, want -30", v)
	}
	g := s.Gateways[0]
	if g.Cycles != 1 || g.Missed != 2 || g.Polls[reading.Timeout] != 1 || !g.Up(epoch.Add(time.Second)) || !s.Ready {
		t.Errorf("gateway: %+v", g)
	}
	b.SetReading(answered("a", epoch, -1)) // left the fleet: passed over
}

func TestReadyOnlyWhenEveryGatewayWithFansHasFinishedACycle(t *testing.T) {
	fleet := smallFleet("a")
	fleet.Gateways = append(fleet.Gateways, &config.Gateway{ID: "spare"})
	b := NewBoard(fleet, "test", epoch)
	if b.Snapshot().Ready {
		t.Error("ready before any cycle")
	}
	b.CountCycle("roof", epoch, time.Second, 0, nil)
	b.Prepare(true)
	b.Publish(epoch)
	if b.Snapshot().Ready {
		t.Error("ready while the past is being laid down")
	}
	b.Prepare(false)
	b.Publish(epoch)
	if !b.Snapshot().Ready {
		t.Error("not ready though the only gateway with fans has finished a cycle")
	}
}

func TestAFailedReloadShowsAndKeepsTheTimeOfTheLastGoodOne(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	b.ReloadFailed(epoch.Add(time.Hour))
	if r := b.Snapshot().Reload; r.Good || !r.GoodAt.Equal(epoch) {
		t.Errorf("reload %+v, want bad, last good at the start", r)
	}
}

func TestHistogramPutsEachDurationIntoTheFirstBucketThatHoldsIt(t *testing.T) {
	var h Histogram
	for _, d := range []time.Duration{5 * time.Millisecond, 6 * time.Millisecond, time.Minute} {
		h.Observe(d)
	}
	if h.Buckets[0] != 1 || h.Buckets[1] != 1 || h.Buckets[len(Bounds())] != 1 || h.Sum < 60.01 || h.Sum > 60.012 {
		t.Errorf("%+v", h)
	}
}

func TestHowLateCyclesStartIsCountedOverAllGatewaysAndReloads(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	b.CountDelay(time.Millisecond)
	b.CountDelay(60 * time.Millisecond)
	b.SetFleet(smallFleet("b"), epoch)
	b.CountDelay(2 * time.Millisecond)
	before := b.Snapshot()
	b.Publish(epoch)
	if d := b.Snapshot().Delay; d.Buckets[0] != 2 || d.Buckets[4] != 1 || d.Sum < 0.0629 || d.Sum > 0.0631 {
		t.Errorf("%+v; want two up to 5 ms and one up to 0.1 s", d)
	}
	if before.Delay.Buckets[0] != 1 {
		t.Errorf("a snapshot that was published has changed: %+v", before.Delay)
	}
}

func TestIncidentsAreShown(t *testing.T) {
	now := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	b := NewBoard(&config.Fleet{}, "", now)
	b.SetIncidents([]condition.Incident{{ID: "hunting-alder-1"}})
	b.Publish(now)
	if all := b.Snapshot().Incidents; len(all) != 1 || all[0].ID != "hunting-alder-1" {
		t.Errorf("%+v", all)
	}
}
