package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// repeater is a gateway whose plants live on while it may repeat what it read.
type repeater struct {
	tr     *trace
	plants []*plant
	last   []values
	stands func(i int) bool // fan i is repeated
	beat   func(at time.Duration) float64
}

func newRepeater(t *testing.T, fans int, every time.Duration) *repeater {
	fleet := testFleet(fans)
	fleet.PollEvery, fleet.Gateways[0].PollEvery = every, every
	p := &repeater{tr: newTrace(t, fleet), last: make([]values, fans), stands: func(int) bool { return false }}
	for _, f := range fleet.Fans {
		one := newPlant(f)
		one.push, one.gusts = busy, 3
		p.plants = append(p.plants, one)
	}
	return p
}

func (p *repeater) live(span time.Duration) {
	tr := p.tr
	for begun, at := tr.now, time.Duration(0); at < span; at += time.Second {
		for i, one := range p.plants {
			if v := one.tick(at); !p.stands(i) || p.last[i] == nil {
				p.last[i] = v
			}
		}
		tr.now = begun.Add(at)
		if at%tr.every != 0 {
			continue
		}
		for i, f := range tr.fleet.Fans {
			v := p.last[i]
			if p.beat != nil {
				v = v.with(reading.Heartbeat, p.beat(tr.now.Sub(midnight)))
			}
			tr.feed(f.ID, reading.OK, v)
		}
	}
	tr.now = tr.now.Add(time.Second)
}

func TestAGatewayThatRepeatsOldValues(t *testing.T) {
	for _, every := range polls {
		for _, fans := range []int{1, 4} {
			p := newRepeater(t, fans, every)
			p.live(2 * time.Hour)
			p.stands = func(int) bool { return true }
			p.live(5 * time.Hour)
			p.tr.within(condition.DataNotMoving, midnight.Add(2*time.Hour), 30*time.Minute)
			if len(p.tr.got) != 1 {
				t.Errorf("%d fans every %s: changes are %v", fans, every, p.tr.log)
			}
			p.stands = func(int) bool { return false }
			p.live(time.Hour)
			if n := len(p.tr.got); n != 2 || p.tr.got[1].Reason != condition.Recovered ||
				p.tr.got[1].Time.Sub(midnight) > 7*time.Hour+2*every {
				t.Errorf("%d fans every %s: changes are %v", fans, every, p.tr.log)
			}
		}
	}
}

func TestOneFanThatMovesShowsThatTheGatewayIsWell(t *testing.T) {
	p := newRepeater(t, 4, 5*time.Second)
	p.live(2 * time.Hour)
	p.stands = func(i int) bool { return i != 2 }
	p.live(time.Hour)
	p.tr.want()
}

func TestAGatewayOfIdleFansWithCoarseSensorsIsNoRepeater(t *testing.T) {
	for _, fans := range []int{1, 2} {
		p := newRepeater(t, fans, 5*time.Second)
		for i, f := range p.tr.fleet.Fans {
			idling(f)
			p.plants[i] = newPlant(f)
			p.plants[i].count, p.plants[i].gusts, p.plants[i].draw = 4, 0.4, lowered(sinus(20), 36)
			p.plants[i].push = func(at time.Duration) float64 {
				if at%(12*time.Hour) < 4*time.Hour {
					return busy(at)
				}
				return 0
			}
		}
		p.tr = newTrace(t, p.tr.fleet)
		p.live(30 * time.Hour)
		p.tr.want()
	}
}

// What stood before is neither cleared nor joined while old values come.
func TestWhatStandsKeepsItsStateWhileAGatewayRepeats(t *testing.T) {
	p := newRepeater(t, 2, 5*time.Second)
	p.live(2 * time.Hour)
	p.plants[0].push = func(at time.Duration) float64 { return 170 + busy(at) }
	p.live(30 * time.Minute)
	p.stands = func(int) bool { return true }
	p.live(2 * time.Hour)
	p.plants[0].push = busy
	p.stands = func(int) bool { return false }
	p.live(20 * time.Minute)
	var got []string
	for _, c := range p.tr.got {
		got = append(got, string(c.Condition)+" "+string(c.Change))
	}
	want := []string{"pinned_at_max raised", "data_not_moving raised", "data_not_moving cleared", "pinned_at_max cleared"}
	if len(got) != len(want) {
		t.Fatalf("changes are %v", p.tr.log)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("changes are %v", p.tr.log)
		}
	}
}

// A heartbeat tells of a gateway whose fans are too quiet to tell.
func TestAHeartbeatThatStops(t *testing.T) {
	p := newRepeater(t, 2, 5*time.Second)
	for i, f := range p.tr.fleet.Fans {
		idling(f)
		p.plants[i] = newPlant(f)
		p.plants[i].count, p.plants[i].draw = 4, lowered(func(time.Duration) float64 { return 0 }, 36)
	}
	p.tr = newTrace(t, p.tr.fleet)
	begun := 3 * time.Hour
	p.beat = func(at time.Duration) float64 { return float64(int(min(at, begun).Seconds()) % 7) }
	p.live(begun)
	p.tr.want()
	p.live(time.Hour)
	p.tr.within(condition.DataNotMoving, midnight.Add(begun), 30*time.Minute)
}

func TestOldValuesBehindADeadGatewayAreSilenced(t *testing.T) {
	p := newRepeater(t, 2, 5*time.Second)
	p.live(2 * time.Hour)
	p.stands = func(int) bool { return true }
	p.live(30 * time.Minute)
	p.tr.fail(10*time.Minute, reading.Refused)
	_, standing := p.tr.e.GatewayView("roof")
	if len(standing) != 2 || standing[1].SilencedBy != condition.GatewayDown {
		t.Errorf("standing %+v", standing)
	}
	p.live(30 * time.Minute)
	if n := len(p.tr.got); n != 5 || p.tr.got[4].Condition != condition.DataNotMoving || p.tr.got[4].Change != condition.Raised {
		t.Errorf("changes are %v", p.tr.log)
	}
}

func TestDataNotMovingIsNotJudgedWhereItIsOff(t *testing.T) {
	p := newRepeater(t, 2, 5*time.Second)
	off := p.tr.fleet.Rules[condition.DataNotMoving]
	off.Enabled = false
	p.tr.fleet.Rules[condition.DataNotMoving] = off
	p.tr = newTrace(t, p.tr.fleet)
	p.live(2 * time.Hour)
	p.stands = func(int) bool { return true }
	p.live(3 * time.Hour)
	for _, c := range p.tr.got { // each fan for itself, later
		if c.Condition != condition.SensorFrozen {
			t.Errorf("changes are %v", p.tr.log)
		}
	}
	if len(p.tr.got) != 2 {
		t.Errorf("changes are %v", p.tr.log)
	}
}
