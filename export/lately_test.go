package export

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// cycles runs a gateway of one fan for a time, a cycle every period; every tenth
// poll times out and every twentieth cycle misses one start.
func cycles(b *Board, from time.Time, lasts, period time.Duration) (last time.Time) {
	n := 0
	for at := from; at.Sub(from) < lasts; at = at.Add(period) {
		outcome, missed := reading.OK, 0
		if n%10 == 9 {
			outcome = reading.Timeout
		}
		if n%20 == 19 {
			missed = 1
		}
		b.CountCycle("roof", at, time.Second, missed, []reading.Reading{{Outcome: outcome}})
		last = at
		n++
	}
	b.Publish(last)
	return last
}

func TestLatelyIsTheLastHour(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	if l := b.Snapshot().Gateways[0].Lately(); !l.Since.IsZero() || l.Cycles != 0 || l.Period != 0 {
		t.Errorf("before the first cycle: %+v", l)
	}
	b.CountCycle("roof", epoch, time.Second, 0, []reading.Reading{{Outcome: reading.OK}})
	b.Publish(epoch)
	if l := b.Snapshot().Gateways[0].Lately(); !l.Since.Equal(epoch) || l.Cycles != 1 || l.Polls[reading.OK] != 1 || l.Period != 0 {
		t.Errorf("after the first: %+v", l)
	}

	last := cycles(b, epoch.Add(10*time.Second), 5*time.Hour, 10*time.Second)
	early := b.Snapshot().Gateways[0]
	l := early.Lately()
	if span := last.Sub(l.Since); span < lately || span > lately+markEach+10*time.Second {
		t.Errorf("it looks back %v", span)
	}
	if l.Period != 10*time.Second || l.Polls[reading.OK]+l.Polls[reading.Timeout] != l.Cycles || l.Missed < l.Cycles/20 || l.Missed > l.Cycles/20+1 || l.Took.Round(time.Millisecond) != time.Second {
		t.Errorf("%+v", l)
	}
	if share := float64(l.Polls[reading.Timeout]) / float64(l.Cycles); share < 0.09 || share > 0.11 {
		t.Errorf("%v of the polls timed out", share)
	}

	cycles(b, last.Add(20*time.Second), 2*time.Hour, 20*time.Second)
	if l := b.Snapshot().Gateways[0].Lately(); l.Period != 20*time.Second {
		t.Errorf("the period held now is %v", l.Period)
	}
	if again := early.Lately(); again != l {
		t.Errorf("an earlier snapshot now says %+v", again)
	}
}

func TestLatelySpansAPause(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	last := cycles(b, epoch, time.Hour, 10*time.Second)
	b.CountCycle("roof", last.Add(3*time.Hour), time.Second, 0, nil)
	b.Publish(last)
	if l := b.Snapshot().Gateways[0].Lately(); l.Cycles < 2 || l.Period < time.Minute {
		t.Errorf("after a pause: %+v", l)
	}
}

func TestLatelyIsOfOnePeriod(t *testing.T) {
	b := NewBoard(smallFleet("a"), "test", epoch)
	last := cycles(b, epoch, time.Hour, 10*time.Second)
	b.SetFleet(smallFleet("a"), epoch)
	if b.Snapshot().Gateways[0].Lately().Cycles != 360 {
		t.Error("a reload that leaves the period as it is forgets the last hour")
	}
	fleet := smallFleet("a")
	fleet.Gateways[0].PollEvery = time.Minute
	b.SetFleet(fleet, epoch)
	cycles(b, last.Add(time.Minute), time.Hour, time.Minute)
	if l := b.Snapshot().Gateways[0].Lately(); l.Period != time.Minute || l.Cycles != 60 {
		t.Errorf("after another period was set: %+v", l)
	}
}
