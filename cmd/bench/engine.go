package main

import (
	"context"
	"runtime"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules"
)

// engineContest sets the rules beside a program that finds the fan of each
// reading and keeps a copy of it, which is the least that a watcher does.
func engineContest() contest {
	const beside = "keeping a copy of each reading"
	return contest{name: "engine", rows: []row{
		{Name: "engine-ns", What: "CPU a reading, all rules on, 200 fans", Beside: beside, Unit: "ns"},
		{Name: "engine-bytes", What: "bytes allocated a reading", Beside: beside, Unit: "B"},
	}, prepare: func(_ context.Context, b *bench) (ours, theirs side, err error) {
		p := plan{fans: sized(b, 200, 20), gateways: 4, url: onLoopback(1502)}
		fleet, err := p.parse()
		if err != nil {
			return nil, nil, err
		}
		f, err := troubled(fleet)
		if err != nil {
			return nil, nil, err
		}
		// Long enough that the rules have met the troubles; what is measured is
		// the last part.
		var all []reading.Reading
		warm := 0
		measured := sized(b, 30*time.Minute, time.Minute)
		last := f.Now().Add(sized(b, 3*time.Hour, time.Minute))
		err = record(f, last.Sub(f.Now())+measured, func(_ *config.Fan, r *reading.Reading) error {
			all = append(all, *r)
			if !r.Time.After(last) {
				warm++
			}
			return nil
		})
		if err != nil {
			return nil, nil, err
		}
		ours = func(context.Context) (figures, error) {
			engine := rules.New(fleet)
			for i := range all[:warm] {
				r := all[i]
				engine.Observe(&r)
			}
			return spent(all[warm:], func(r *reading.Reading) { engine.Observe(r) }), nil
		}
		theirs = func(context.Context) (figures, error) {
			kept := make(map[reading.FanID]*reading.Reading, len(fleet.Fans))
			return spent(all[warm:], func(r *reading.Reading) {
				own := *r
				kept[r.Fan] = &own
			}), nil
		}
		return ours, theirs, nil
	}}
}

// spent gives readings to somebody and says what that took for each.
func spent(all []reading.Reading, take func(*reading.Reading)) figures {
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	used := processorTime()
	var r reading.Reading // whoever takes it may fill in what follows from it
	for i := range all {
		r = all[i]
		take(&r)
	}
	used = processorTime() - used
	runtime.ReadMemStats(&after)
	n := float64(len(all))
	return figures{"engine-ns": float64(used) / n, "engine-bytes": float64(after.TotalAlloc-before.TotalAlloc) / n}
}
