package rules

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/rules/condition"
)

// step is what reaches the engine: a reading with the time it carries, or
// something that happens to the daemon.
type mangledStep struct {
	row
	real    time.Duration // when the reading was truly taken
	restart bool
	kill    bool // a restart with what was remembered up to two minutes ago
	reload  bool
}

// mangler spoils readings. What it may cost is how much later a condition may
// be told for it, beside the pace of the clock.
type mangler struct {
	name string
	may  time.Duration
	do   func(rows []mangledStep, rnd *rand.Rand) []mangledStep
}

// everyRow applies f to each row; false drops it.
func everyRow(rows []mangledStep, f func(*mangledStep) bool) []mangledStep {
	kept := rows[:0]
	for _, r := range rows {
		if f(&r) {
			kept = append(kept, r)
		}
	}
	return kept
}

// pollsOf applies f to the rows of each poll together.
func pollsOf(rows []mangledStep, f func(poll []mangledStep) []mangledStep) []mangledStep {
	var out []mangledStep
	for from := 0; from < len(rows); {
		to := from
		for to < len(rows) && rows[to].at == rows[from].at {
			to++
		}
		out = append(out, f(slices.Clone(rows[from:to]))...)
		from = to
	}
	return out
}

// gaps takes out n stretches of a length at random, of all fans.
func gaps(n int, long time.Duration) func([]mangledStep, *rand.Rand) []mangledStep {
	return func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
		total := rows[len(rows)-1].at
		var from []time.Duration
		for range n {
			from = append(from, time.Duration(rnd.Int64N(int64(total))))
		}
		return everyRow(rows, func(s *mangledStep) bool {
			return !slices.ContainsFunc(from, func(f time.Duration) bool { return s.at >= f && s.at < f+long })
		})
	}
}

// set sets the clock by a span, at a random time.
func set(by ...time.Duration) func([]mangledStep, *rand.Rand) []mangledStep {
	return func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
		total := rows[len(rows)-1].at
		var at []time.Duration
		for range by {
			at = append(at, time.Duration(rnd.Int64N(int64(total))))
		}
		slices.Sort(at)
		return everyRow(rows, func(s *mangledStep) bool {
			for i := range by {
				if s.real >= at[i] {
					s.at += by[i]
				}
			}
			return true
		})
	}
}

// happens lets something happen to the daemon, between polls.
func happens(every time.Duration, what mangledStep) func([]mangledStep, *rand.Rand) []mangledStep {
	return func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
		next := time.Duration(rnd.Int64N(int64(every)))
		return pollsOf(rows, func(poll []mangledStep) []mangledStep {
			if poll[0].at < next {
				return poll
			}
			next += every
			return append([]mangledStep{what}, poll...)
		})
	}
}

func manglers() []mangler {
	const minute, hour = time.Minute, time.Hour
	drop := func(share float64) func([]mangledStep, *rand.Rand) []mangledStep {
		return func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			return everyRow(rows, func(*mangledStep) bool { return rnd.Float64() >= share })
		}
	}
	return []mangler{
		{"one row in ten is missing", 5 * minute, drop(0.1)},
		{"three rows in ten are missing", 20 * minute, drop(0.3)},
		{"gaps of minutes", 20 * minute, gaps(6, 4*minute)},
		{"gaps of an hour", 2*hour + 10*minute, gaps(2, hour)},
		{"every row comes twice", 0, func(rows []mangledStep, _ *rand.Rand) []mangledStep {
			return pollsOf(rows, func(poll []mangledStep) []mangledStep { return append(poll, poll...) })
		}},
		{"the last polls come again", minute, func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			var before [][]mangledStep
			return pollsOf(rows, func(poll []mangledStep) []mangledStep {
				out := slices.Clone(poll)
				if len(before) > 5 && rnd.IntN(10) == 0 {
					for _, b := range before[len(before)-5:] {
						out = append(out, b...)
					}
				}
				before = append(before, poll)
				return out
			})
		}},
		{"rows out of order", 5 * minute, func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			for i := range rows {
				j := min(i+rnd.IntN(4), len(rows)-1)
				rows[i], rows[j] = rows[j], rows[i]
			}
			return rows
		}},
		{"polls that jitter", 2 * minute, func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			return everyRow(rows, func(s *mangledStep) bool {
				s.at += time.Duration(rnd.Float64() * 0.9 * float64(robustEvery))
				return true
			})
		}},
		{"the clock is set forward by an hour", minute, set(hour)},
		{"the clock is set back by an hour", 5 * minute, set(-hour)},
		{"the clock is set forward and back by an hour", 5 * minute, set(hour, -hour)},
		{"the clock is set back by two minutes", 5 * minute, set(-2*minute, -2*minute)},
		{"one restart every ten minutes", 0, happens(10*minute, mangledStep{restart: true})},
		{"killed every ten minutes", 40 * minute, happens(10*minute, mangledStep{kill: true})},
		{"one restart an hour", 0, happens(hour, mangledStep{restart: true})},
		{"a reload every ten minutes", 0, happens(10*minute, mangledStep{reload: true})},
		{"down for twenty minutes", 50 * minute, func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			return happens(50*minute, mangledStep{restart: true})(gaps(2, 20*minute)(rows, rnd), rnd)
		}},
		{"set back while it is down", 40 * minute, func(rows []mangledStep, rnd *rand.Rand) []mangledStep {
			return happens(30*minute, mangledStep{restart: true})(set(-10*minute, -10*minute, -10*minute)(rows, rnd), rnd)
		}},
	}
}

// spoilSeeds is how often each way of spoiling is tried on each scene.
const spoilSeeds = 1

// spoken is a change and when it truly was told.
type spoken struct {
	condition.Transition
	real time.Duration
}

func (c spoken) String() string {
	who := string(c.Fan)
	if who == "" {
		who = string(c.Gateway)
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s %s %s", c.real, c.Change, c.Condition, who, c.Reason))
}

// feed plays a scene to an engine and returns what it told.
func (s *scene) feed(t *testing.T, steps []mangledStep) (all []spoken) {
	tr := newTrace(t, s.fleet)
	var kept func() *Engine
	wrote, said := 0, 0
	kills := slices.ContainsFunc(steps, func(m mangledStep) bool { return m.kill })
	for i, step := range steps {
		if kills && (kept == nil || i-wrote >= 12*len(s.fleet.Fans) || said != len(all)) {
			kept, wrote, said = tr.keep(), i, len(all)
		}
		switch {
		case step.kill:
			tr.e = kept()
			continue
		case step.restart:
			tr.restart()
			continue
		case step.reload:
			tr.take(slices.Clone(tr.e.Reload(s.fleet, tr.now)))
			continue
		}
		tr.now = midnight.Add(step.at)
		tr.feed(step.fan, step.outcome, step.values)
		for _, c := range tr.got[len(all):] {
			all = append(all, spoken{c, step.real})
		}
	}
	return all
}

func (s *scene) steps() []mangledStep {
	all := make([]mangledStep, len(s.rows))
	for i, r := range s.rows {
		all[i] = mangledStep{row: r, real: r.at}
	}
	return all
}

// TestSpoiltReadingsOfHealthyFansRaiseNothing and its like of ill fans spoil
// readings in every way that networks, clocks and restarts do.
func TestSpoiltReadingsOfHealthyFansRaiseNothing(t *testing.T) {
	for _, s := range healthyScenes() {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			if got := s.feed(t, s.steps()); len(got) > 0 {
				t.Fatalf("unspoilt: %v", got)
			}
			s.spoil(t, func(m mangler, got []spoken) {
				if len(got) > 0 {
					t.Errorf("%s: %v", m.name, got)
				}
			})
		})
	}
}

func TestSpoiltReadingsOfIllFansRaiseTheSameOnce(t *testing.T) {
	for _, s := range illScenes() {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			clean := s.feed(t, s.steps())
			if len(clean) != 1 || clean[0].Condition != s.want || clean[0].real < s.begun {
				t.Fatalf("unspoilt: %v", clean)
			}
			s.spoil(t, func(m mangler, got []spoken) {
				if len(got) != 1 || got[0].Condition != s.want && got[0].Condition != s.instead ||
					got[0].real < s.begun || got[0].real > clean[0].real+m.may+s.later {
					t.Errorf("%s: %v; unspoilt %v", m.name, got, clean)
				}
			})
		})
	}
}

// spoil plays the scene spoilt in every way.
func (s *scene) spoil(t *testing.T, look func(m mangler, got []spoken)) {
	for i, m := range manglers() {
		for seed := range uint64(spoilSeeds) {
			look(m, s.feed(t, m.do(s.steps(), rand.New(rand.NewPCG(seed, uint64(i))))))
		}
	}
}
