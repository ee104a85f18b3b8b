package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// cycling is a fan that starts once each so long and runs for half of it. It
// controls well while it runs, and rests at nothing.
func cycling(each time.Duration) func(since time.Duration) values {
	return func(since time.Duration) values {
		if since%each < each/2 {
			return at(0, -31)
		}
		return at(0.5, -30)
	}
}

func cyclingTrace(t *testing.T, every time.Duration) *trace {
	fleet := fleetPolled(every)
	idling(fleet.Fans[0])
	return newTrace(t, fleet)
}

func TestTheSixthStartOfAnHourIsOneTooMany(t *testing.T) {
	for _, every := range polls {
		tr := cyclingTrace(t, every)
		tr.run(2*time.Hour, cycling(10*time.Minute))
		tr.run(3*time.Hour, func(time.Duration) values { return at(0.5, -30) })
		// Starts at 5, 15, ... 55 min; the third last of all at 1 h 35 min.
		tr.want("55m0s raised short_cycling ef1", "2h35m"+every.String()+" cleared short_cycling ef1 recovered")
		if want := "started 6 times in 50 min"; tr.got[0].Summary != want {
			t.Errorf("summary: %s", tr.got[0].Summary)
		}
	}
}

func TestShortCyclingIsOverOnlyWithFewStarts(t *testing.T) {
	tr := cyclingTrace(t, 5*time.Second)
	tr.run(time.Hour, cycling(10*time.Minute))
	tr.run(4*time.Hour, cycling(15*time.Minute)) // four an hour: still
	tr.want("55m0s raised short_cycling ef1")
	tr.now = tr.now.Add(3 * time.Hour) // nothing known: no proof of rest
	tr.run(20*time.Minute, cycling(40*time.Minute))
	tr.want("55m0s raised short_cycling ef1")
}

func TestWhatIsNotShortCycling(t *testing.T) {
	for name, run := range map[string]func(tr *trace){
		"four or five an hour": func(tr *trace) { tr.run(10*time.Hour, cycling(12*time.Minute+30*time.Second)) },
		"an override that comes and goes": func(tr *trace) {
			tr.run(5*time.Hour, func(since time.Duration) values {
				if since%(6*time.Minute) < 3*time.Minute {
					return at(0, -31).with(reading.Override, 1) // forced to stand
				}
				return at(0.5, -30).with(reading.Override, 0)
			})
		},
		"a permission that comes and goes": func(tr *trace) {
			tr.run(5*time.Hour, func(since time.Duration) values {
				if since%(6*time.Minute) < 3*time.Minute {
					return at(0, -31).with(reading.Enable, 0)
				}
				return at(0.5, -30).with(reading.Enable, 1)
			})
		},
		"starts that lie in gaps": func(tr *trace) {
			for range 40 {
				tr.steady(2*time.Minute, at(0, -31))
				tr.now = tr.now.Add(2 * time.Minute)
				tr.steady(2*time.Minute, at(0.5, -30))
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			tr := cyclingTrace(t, 5*time.Second)
			run(tr)
			for _, c := range tr.got {
				if c.Condition == condition.ShortCycling {
					t.Errorf("%s: %s", c.Time.Sub(midnight), c.Summary)
				}
			}
		})
	}
}

// Of hunting and short cycling the one that is found first stands, and the
// other stays silenced.
func TestHuntingAndShortCyclingAreOneCondition(t *testing.T) {
	swings := func(since time.Duration) values { return swinging(since, time.Minute, 0.2, 9) }
	for name, c := range map[string]struct {
		first, then func(since time.Duration) values
		want        condition.Name
	}{
		"swings, then starts": {swings, cycling(4 * time.Minute), condition.Hunting},
		"starts, then swings": {cycling(4 * time.Minute), swings, condition.ShortCycling},
	} {
		tr := cyclingTrace(t, 5*time.Second)
		tr.run(40*time.Minute, c.first)
		tr.run(40*time.Minute, c.then)
		if len(tr.got) == 0 || tr.got[0].Condition != c.want {
			t.Errorf("%s: %v", name, tr.log)
		}
		for i := 1; i < len(tr.got); i++ {
			if tr.got[i].Change == condition.Raised && tr.e.fans["ef1"].active(c.want) && tr.got[i].Condition != c.want {
				t.Errorf("%s: %v", name, tr.log)
			}
		}
	}
}

// A fan that starts in bursts, with lulls between them, keeps on doing the same.
func TestShortCyclingThatComesAndGoesIsToldOnce(t *testing.T) {
	tr := cyclingTrace(t, 5*time.Second)
	tr.run(20*time.Hour, func(since time.Duration) values {
		if since %= 3 * time.Hour; since < time.Hour {
			return cycling(8 * time.Minute)(since)
		}
		return at(0.5, -30)
	})
	tr.run(7*time.Hour, func(time.Duration) values { return at(0.5, -30) })
	tr.want("44m0s raised short_cycling ef1", "1h44m5s cleared short_cycling ef1 recovered",
		"3h44m0s raised short_cycling ef1", "25h20m5s cleared short_cycling ef1 recovered")
}
