package history

import (
	"math"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/value"
	"github.com/prometheus/prometheus/storage"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// sample is one value on its way to the disk.
type sample struct {
	series *series
	t      int64 // ms since 1970
	v      float64
}

// series is one series of the store.
type series struct {
	labels labels.Labels
	main   bool // of words, one a reading
	ref    storage.SeriesRef
	in     *opened // where ref holds
}

// Names of the series' labels. A fan has one of words, named by what its
// controller holds, and one of each other point that changes.
const (
	nameReading = "fanwarden_reading"
	nameOther   = "fanwarden_point"
	labelFan    = "fan"
	labelPoint  = "point"
)

// resumes is how long, in ms, nothing may have been answered for a value to be written
// though it is the same: where that is a clock that was set ahead, what comes once it
// is set back will lie between.
const resumes = 60 * 1000

// repeatAfter is how long, in ms, a point that does not change goes without
// being written: so far back the last change must be looked for.
const repeatAfter = 30 * 60 * 1000

// others are the points that are kept as they change.
var others = [...]reading.Point{reading.Setpoint, reading.RPM, reading.Power, reading.Pressure, reading.Airflow}

// fanSeries are the series of a fan.
type fanSeries struct {
	id         reading.FanID
	controlled reading.Point
	words      series
	others     [len(others)]changes
	last       int64 // ms, of the last reading that was answered
}

// changes is a point that is written when it changes.
type changes struct {
	series *series
	last   float64
	at     int64 // ms, when it was last written
	newest int64 // ms, the latest that was ever written
}

// unchanged reports whether a value need not be written, as the one before it in
// the store says the same. After a clock was set back others may lie between.
func (c *changes) unchanged(v float64, t, past int64) bool {
	return c.at > past && c.at == c.newest && same(v, c.last) && t < c.at+repeatAfter && t >= c.at
}

func newFanSeries(fan reading.FanID, controlled reading.Point) *fanSeries {
	return &fanSeries{id: fan, controlled: controlled, words: series{main: true, labels: describe(nameReading, fan, controlled)}}
}

func describe(name string, fan reading.FanID, p reading.Point) labels.Labels {
	return labels.FromStrings(labels.MetricName, name, labelFan, string(fan), labelPoint, p.String())
}

// samples adds what is to be written of a reading, where past is the latest that
// an earlier process wrote.
func (f *fanSeries) samples(to []sample, r *reading.Reading, t, past int64, mode condition.Mode) []sample {
	to = append(to, sample{&f.words, t, math.Float64frombits(uint64(pack(r, f.controlled, mode)))})
	if !r.Outcome.Answered() {
		return to // nothing was said of the other points
	}
	resumed := t > f.last+resumes
	f.last = t
	for i, p := range others {
		v, good := r.Get(p)
		c := &f.others[i]
		if p == f.controlled || !good && c.series == nil {
			continue
		}
		if c.series == nil {
			c.series = &series{labels: describe(nameOther, f.id, p)}
		}
		v = float64(float32(v)) // seven digits, in half the bits
		if !good {
			v = math.Float64frombits(value.StaleNaN)
		}
		if !resumed && c.unchanged(v, t, past) {
			continue
		}
		c.last, c.at, c.newest = v, t, max(c.newest, t)
		to = append(to, sample{c.series, t, v})
	}
	return to
}

func same(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

// readings counts the readings among samples.
func readings(samples []sample) int {
	n := 0
	for i := range samples {
		if samples[i].series.main {
			n++
		}
	}
	return n
}
