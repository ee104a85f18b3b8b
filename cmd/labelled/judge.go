package main

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules"
	"fanwarden/rules/condition"
)

// sampleOf names a sample: a fan, or a gateway where fan is "".
type sampleOf struct {
	fan     reading.FanID
	gateway reading.GatewayID
}

// both is the score of the rules and of the baseline, over the same runs.
type both struct{ rules, plain *score }

func newBoth() both { return both{newScore(), newScore()} }

func (b both) add(o both) {
	b.rules.add(o.rules)
	b.plain.add(o.plain)
}

// judged collects the changes that one judge finds, by sample.
type judged map[sampleOf][]condition.Transition

func (j judged) take(changes []condition.Transition, only []condition.Name) {
	for _, t := range changes {
		if len(only) > 0 && !slices.Contains(only, t.Condition) {
			continue
		}
		of := sampleOf{fan: t.Fan}
		if t.Fan == "" {
			of.gateway = t.Gateway
		}
		j[of] = append(j[of], t)
	}
}

// scoreRun runs one campus through the rules and the baseline and scores what
// they raise.
func scoreRun(s settings, only []condition.Name) (both, error) {
	result := newBoth()
	result.rules.only, result.plain.only = only, only
	c, err := newCampus(s)
	if err != nil {
		return result, err
	}
	engine, plain := rules.New(c.fleet), newBaseline(c.fleet)
	byRules, byPlain := make(judged), make(judged)
	err = c.run(func(r *reading.Reading) error {
		result.rules.readings++
		byPlain.take(plain.Observe(r), only)
		byRules.take(engine.Observe(r), only)
		return nil
	})
	result.rules.runs = 1
	result.rules.fanTime = time.Duration(len(c.fleet.Fans)*c.hours) * time.Hour
	tellOnce(c.labels, byRules)
	for _, l := range c.labels {
		where := fmt.Sprintf("seed %d", s.seed)
		result.rules.judge(where, l, byRules[sampleOf{l.fan, l.gateway}], c.end())
		result.plain.judge(where, l, byPlain[sampleOf{l.fan, l.gateway}], c.end())
	}
	return result, err
}

// tellOnce takes the shortage of a riser as told of each of its fans that have
// the fault, as it was told of the one that showed it: it is one condition of the riser, and is
// raised on one fan of it.
func tellOnce(labels []*label, raised judged) {
	told := make(judged)
	for _, l := range labels {
		own := sampleOf{fan: l.fan}
		if l.want != condition.PinnedAtMax || slices.ContainsFunc(raised[own], isShortage) {
			continue
		}
		for _, other := range l.sharers {
			told[own] = append(told[own], slices.DeleteFunc(slices.Clone(raised[sampleOf{fan: other}]),
				func(t condition.Transition) bool { return !isShortage(t) })...)
		}
	}
	for of, changes := range told {
		raised[of] = append(raised[of], changes...)
	}
}

func isShortage(t condition.Transition) bool { return t.Condition == condition.PinnedAtMax }

// scoreAll scores runs of the seeds from s.seed on, some at a time, and adds them up in
// the order of the seeds.
func scoreAll(seeds, workers int, s settings, only []condition.Name) (both, error) {
	scores, failures := make([]both, seeds), make([]error, seeds)
	next := make(chan int)
	var done sync.WaitGroup
	for range workers {
		done.Go(func() {
			for i := range next {
				one := s
				one.seed += uint64(i)
				scores[i], failures[i] = scoreRun(one, only)
			}
		})
	}
	for i := range seeds {
		next <- i
	}
	close(next)
	done.Wait()
	total := newBoth()
	for i, one := range scores {
		if failures[i] != nil {
			return total, fmt.Errorf("seed %d: %w", s.seed+uint64(i), failures[i])
		}
		total.add(one)
	}
	return total, nil
}
