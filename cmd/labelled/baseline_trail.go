package main

import (
	"math"
	"time"
)

// trail is a speed over the last 20 minutes, in blocks of nothing but its own
// readings.
type trail struct {
	at      []time.Time
	speed   []float64
	sum, sq float64
}

const trailFor = 20 * minute

func (t *trail) add(now time.Time, speed float64) {
	t.at, t.speed = append(t.at, now), append(t.speed, speed)
	t.sum, t.sq = t.sum+speed, t.sq+speed*speed
	drop := 0
	for now.Sub(t.at[drop]) > trailFor {
		t.sum, t.sq = t.sum-t.speed[drop], t.sq-t.speed[drop]*t.speed[drop]
		drop++
	}
	t.at, t.speed = t.at[drop:], t.speed[drop:]
}

// swings reports whether the speed strays by more than three points (standard
// deviation) and crosses its mean at least 12 times.
func (t *trail) swings() bool {
	n := float64(len(t.speed))
	mean := t.sum / n
	if n < 12 || math.Sqrt(max(0, t.sq/n-mean*mean)) < 0.03 {
		return false
	}
	crossings := 0
	for i := 1; i < len(t.speed); i++ {
		if (t.speed[i] > mean) != (t.speed[i-1] > mean) {
			crossings++
		}
	}
	return crossings >= 12
}

// weekly is a mean speed over a week.
type weekly struct {
	from time.Time
	sum  float64
	n    int
}

func (w *weekly) mean() float64 { return w.sum / float64(max(w.n, 1)) }

// creeps reports whether the mean speed of the last full week was more than a
// tenth above that of the first. It tells for as long as the next week lasts.
func (f *plainFan) creeps(now time.Time, speed float64) bool {
	w := &f.week
	if w.from.IsZero() {
		w.from = now
	}
	if now.Sub(w.from) >= week {
		if f.first.n == 0 {
			f.first = *w
		}
		f.grown = w.mean() > 1.1*f.first.mean()
		*w = weekly{from: now}
	}
	w.sum, w.n = w.sum+speed, w.n+1
	return f.grown
}
