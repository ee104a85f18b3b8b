package poller_test

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
)

func TestCyclesDoNotDrift(t *testing.T) {
	g := newGateway("tcp", "")
	took := 0 * time.Millisecond
	f := &fake{answer: func(asked) (time.Duration, *reading.Failure) {
		took = (took + 377*time.Millisecond) % (5 * time.Second)
		return took, nil
	}}
	cycles, _ := watch(t, f, fleetOf(newFan(g, 1, 0)), 1001*g.PollEvery)
	if len(cycles) < 1000 {
		t.Fatalf("%d cycles; want 1000", len(cycles))
	}
	for i, c := range cycles {
		if want := cycles[0].Start.Add(time.Duration(i) * g.PollEvery); !c.Start.Equal(want) || c.Missed != 0 {
			t.Fatalf("cycle %d started %v off, %d missed", i, c.Start.Sub(want), c.Missed)
		}
	}
}

func TestFirstCyclesSpreadOverThePeriod(t *testing.T) {
	const gateways = 1000
	var fans []*config.Fan
	for i := range gateways {
		g := newGateway("tcp", "")
		g.ID = reading.GatewayID(fmt.Sprintf("gateway-%d", i))
		fans = append(fans, newFan(g, 1, 0))
	}
	f := &fake{t: t}
	synctest.Test(t, func(t *testing.T) {
		var tenths [10]int
		var lock sync.Mutex
		begin := time.Now()
		p := poller.New(f.dial, func(c *poller.Cycle) {
			lock.Lock()
			defer lock.Unlock()
			tenths[c.Start.Sub(begin)*10/(5*time.Second)]++
		}, zap.NewNop())
		p.Start(fleetOf(fans...))
		time.Sleep(5*time.Second - time.Nanosecond)
		synctest.Wait()
		p.Stop()
		total := 0
		for i, n := range tenths {
			total += n
			if n < 60 || n > 140 {
				t.Errorf("%d of %d first cycles in tenth %d of the period; want about 100", n, gateways, i)
			}
		}
		// A cycle takes 10 ms, so a few are still under way when the period ends.
		if total < gateways-15 {
			t.Errorf("%d of %d gateways were read within their first period", total, gateways)
		}
	})
}

func TestMissedCyclesAreCountedAndNotMadeUpFor(t *testing.T) {
	g := newGateway("tcp", "")
	n := 0
	f := &fake{answer: func(asked) (time.Duration, *reading.Failure) {
		if n++; n == 3 {
			return 12 * time.Second, nil
		}
		return time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(newFan(g, 1, 0)), 60*time.Second)
	starts := []time.Duration{0, 5, 10, 25, 30}
	missed := []int{0, 0, 0, 2, 0}
	for i, want := range starts {
		if got := cycles[i].Start.Sub(cycles[0].Start); got != want*time.Second || cycles[i].Missed != missed[i] {
			t.Errorf("cycle %d began at %v with %d missed; want %v and %d", i, got, cycles[i].Missed, want*time.Second, missed[i])
		}
	}
	if cycles[2].Took != 12*time.Second {
		t.Errorf("the long cycle took %v", cycles[2].Took)
	}
}

func TestPauseBetweenRequests(t *testing.T) {
	g := newGateway("tcp", "")
	g.Pause = 50 * time.Millisecond
	cycles, _ := watch(t, &fake{}, fleetOf(newFan(g, 1, 0), newFan(g, 2, 0), newFan(g, 3, 0)), 10*time.Second)
	for i := 1; i < 3; i++ {
		if apart := cycles[1].asked[i].at.Sub(cycles[1].asked[i-1].at); apart != 60*time.Millisecond {
			t.Errorf("requests %v apart; want the 10 ms of an answer and a pause of 50 ms", apart)
		}
	}
}

// A probe of a mute gateway may run past the instant at which a cycle is due.
func TestACycleSaysHowLateItStarted(t *testing.T) {
	g := newGateway("tcp", "")
	g.PollEvery, g.Timeout = 12*time.Second, 3*time.Second
	f := &fake{answer: silentUnits(g.Timeout, 1)}
	cycles, _ := watch(t, f, fleetOf(newFan(g, 1, 0)), 5*time.Minute)
	late := 0
	for i, c := range cycles {
		if due := cycles[0].Start.Add(time.Duration(i) * g.PollEvery); c.Late != c.Start.Sub(due) || c.Missed > 0 {
			t.Fatalf("cycle %d says that it is %v late and is %v; %d missed", i, c.Late, c.Start.Sub(due), c.Missed)
		}
		if c.Late > 0 {
			late++
		}
	}
	if late < 10 || cycles[0].Late != 0 {
		t.Errorf("%d of %d cycles were late, the first by %v; the probes ought to have run into most", late, len(cycles), cycles[0].Late)
	}
}
