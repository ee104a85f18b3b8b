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

// scoreRun runs one campus through the rules and scores what they raise.
func scoreRun(s settings, only []condition.Name) (*score, error) {
	c, err := newCampus(s)
	if err != nil {
		return nil, err
	}
	result := newScore()
	engine := rules.New(c.fleet)
	changes := make(map[sampleOf][]condition.Transition)
	err = c.run(func(r *reading.Reading) error {
		result.readings++
		for _, t := range engine.Observe(r) {
			if len(only) == 0 || slices.Contains(only, t.Condition) {
				of := sampleOf{fan: t.Fan}
				if t.Fan == "" {
					of.gateway = t.Gateway
				}
				changes[of] = append(changes[of], t)
			}
		}
		return nil
	})
	result.runs = 1
	result.fanTime = time.Duration(len(c.fleet.Fans)*c.hours) * time.Hour
	for _, l := range c.labels {
		result.judge(fmt.Sprintf("seed %d", s.seed), l, changes[sampleOf{l.fan, l.gateway}], c.end())
	}
	return result, err
}

// scoreAll scores runs of the seeds from s.seed on, some at a time, and adds them up in
// the order of the seeds.
func scoreAll(seeds, workers int, s settings, only []condition.Name) (*score, error) {
	scores, failures := make([]*score, seeds), make([]error, seeds)
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
	total := newScore()
	for i, one := range scores {
		if failures[i] != nil {
			return nil, fmt.Errorf("seed %d: %w", s.seed+uint64(i), failures[i])
		}
		total.add(one)
	}
	return total, nil
}
