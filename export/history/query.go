package history

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/value"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules/condition"
)

// MaxBuckets bounds the steps of one trend.
const MaxBuckets = 20_000

// ErrDown is returned as long as the folder cannot be opened.
var ErrDown = errors.New("the kept readings cannot be opened now; the daemon's log says why, and it is tried again")

// Trend returns what is kept of a fan, from before to, in steps. The first step
// begins at from. A fan of which nothing is kept has no buckets. The controlled
// point is looked for as the fan holds it now.
func (s *Store) Trend(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time, step time.Duration) (*export.Trend, error) {
	if step < time.Millisecond || !from.Before(to) || to.Sub(from) > step*MaxBuckets {
		return nil, fmt.Errorf("a trend needs a start before its end and at most %d steps", MaxBuckets)
	}
	t := &export.Trend{Fan: fan, From: from, To: to, Step: step, Controlled: controlled}
	first, last := from.UnixMilli(), to.UnixMilli()-1
	err := s.disk.query(ctx, fan, controlled, first, last, func(at int64, w word, other *[len(others)]cursor) error {
		start := at - (at-first)%step.Milliseconds()
		n := len(t.Buckets)
		if n == 0 || t.Buckets[n-1].Start.UnixMilli() != start {
			t.Buckets = append(t.Buckets, export.Bucket{Start: time.UnixMilli(start).UTC()})
			n++
		}
		add(&t.Buckets[n-1], w, counts(controlled))
		t.Buckets[n-1].Setpoint, t.Buckets[n-1].SetpointKnown = other[0].at(at)
		return nil
	})
	for i := range t.Buckets {
		t.Buckets[i].Value.Close()
		t.Buckets[i].Speed.Close()
	}
	return t, err
}

func add(b *export.Bucket, w word, counts float64) {
	b.Readings++
	b.Modes[w.mode()]++
	b.Outcomes[w.outcome()]++
	if v, good := w.value(counts); good {
		b.Value.Add(v)
	}
	if v, good := w.speed(); good {
		b.Speed.Add(v)
	}
	switch w.contact(0) {
	case closed:
		b.Closed++
		b.Contacts++
	case open:
		b.Contacts++
	}
}

// Readings calls yield with each reading that is kept of a fan, from before to,
// in order of time, and with the mode that the rules saw it in. The reading is
// used again: it may not be kept.
func (s *Store) Readings(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time,
	yield func(*reading.Reading, condition.Mode) error) error {
	var r reading.Reading
	return s.disk.query(ctx, fan, controlled, from.UnixMilli(), to.UnixMilli()-1, func(at int64, w word, other *[len(others)]cursor) error {
		r.Clear()
		r.Fan, r.Time = fan, time.UnixMilli(at).UTC()
		w.unpack(&r, controlled)
		for i, p := range others {
			if v, good := other[i].at(at); good && p != controlled && r.Outcome.Answered() {
				r.Set(p, v)
			}
		}
		return yield(&r, w.mode())
	})
}

// Controlled returns what the controller of a fan held when it was last kept, for
// a fan that the fleet has no longer; ok is false if none of its readings is kept.
func (s *Store) Controlled(ctx context.Context, fan reading.FanID) (p reading.Point, ok bool) {
	for _, p := range []reading.Point{reading.Pressure, reading.Airflow} {
		found := errors.New("found")
		err := s.disk.query(ctx, fan, p, 0, math.MaxInt64-1, func(int64, word, *[len(others)]cursor) error { return found })
		if errors.Is(err, found) {
			return p, true
		}
	}
	return 0, false
}

// atOnce is how much of a recording is read before it is sent: nobody who takes
// it slowly may keep the folder from being tidied or closed.
const atOnce = 6 * time.Hour

// Recording writes what is kept of a fan as recorded readings, a few hours at a
// time, with a column for each point that the fan had in that time: a column
// without values would say that it has the point and that it never answers.
func (s *Store) Recording(ctx context.Context, out io.Writer, fan reading.FanID, controlled reading.Point, from, to time.Time) error {
	if oldest := s.disk.oldest(); from.Before(oldest) {
		from = oldest
	}
	columns, err := s.columns(ctx, fan, controlled, from, to)
	if err != nil {
		return err
	}
	var rows bytes.Buffer
	w := recording.NewWriter(&rows, columns...)
	if err := w.Begin(); err != nil {
		return err
	}
	for {
		until := from.Add(atOnce)
		if until.After(to) {
			until = to
		}
		err := s.Readings(ctx, fan, controlled, from, until, func(r *reading.Reading, _ condition.Mode) error {
			return w.Write(r, controlled == reading.Airflow)
		})
		if err != nil {
			return err
		}
		if _, err := rows.WriteTo(out); err != nil {
			return err
		}
		if from = until; !from.Before(to) {
			return nil
		}
	}
}

// columns lists the columns of a recording of a fan.
func (s *Store) columns(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time) ([]string, error) {
	var had [reading.Points]bool
	err := s.Readings(ctx, fan, controlled, from, to, func(r *reading.Reading, _ condition.Mode) error {
		for p := range had {
			had[p] = had[p] || r.Quality(reading.Point(p)) != reading.NotMapped
		}
		return ctx.Err()
	})
	had[reading.Speed], had[controlled] = true, true
	setpoint := "setpoint_pa"
	if controlled == reading.Airflow {
		setpoint = "setpoint_m3s"
	}
	columns := []string{"time", "fan"}
	for _, c := range []struct {
		p    reading.Point
		name string
	}{{reading.Speed, "speed"}, {reading.HighSpeed, "high_speed"}, {reading.Pressure, "pressure_pa"}, {reading.Airflow, "airflow_m3s"},
		{reading.Setpoint, setpoint}, {reading.Enable, "enable"}, {reading.Running, "running"}, {reading.Proof, "proof"},
		{reading.Override, "override"}, {reading.Fault, "fault"}, {reading.RPM, "rpm"}, {reading.Power, "power_w"}} {
		if had[c.p] {
			columns = append(columns, c.name)
		}
	}
	return append(columns, "quality"), err
}

// query calls yield with every word of a fan from first to last, in ms, and with
// where the other points stand.
func (d *disk) query(ctx context.Context, fan reading.FanID, controlled reading.Point, first, last int64,
	yield func(at int64, w word, other *[len(others)]cursor) error) (err error) {
	here := d.now.Load()
	if here == nil {
		return ErrDown
	}
	here.reading.RLock()
	defer here.reading.RUnlock()
	if d.now.Load() != here { // closed in the meantime
		return ErrDown
	}
	q, err := here.db.Querier(first-repeatAfter, last)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, q.Close()) }()
	var other [len(others)]cursor
	for i, p := range others {
		if other[i].it, err = find(ctx, q, describe(nameOther, fan, p)); err != nil {
			return err
		}
	}
	words, err := find(ctx, q, describe(nameReading, fan, controlled))
	if err != nil || words == nil {
		return err
	}
	if words.Seek(first) == chunkenc.ValNone {
		return words.Err()
	}
	for n := 1; ; n++ {
		at, v := words.At()
		if at > last {
			return nil
		}
		if n%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if err := yield(at, word(math.Float64bits(v)), &other); err != nil {
			return err
		}
		if words.Next() == chunkenc.ValNone {
			return words.Err()
		}
	}
}

// find returns the samples of the series with just these labels, or nil.
func find(ctx context.Context, q storage.Querier, l labels.Labels) (chunkenc.Iterator, error) {
	var matchers []*labels.Matcher
	l.Range(func(one labels.Label) {
		matchers = append(matchers, labels.MustNewMatcher(labels.MatchEqual, one.Name, one.Value))
	})
	set := q.Select(ctx, false, nil, matchers...)
	if !set.Next() {
		return nil, set.Err()
	}
	return set.At().Iterator(nil), set.Err()
}

// cursor follows a point that is written as it changes.
type cursor struct {
	it          chunkenc.Iterator
	begun, over bool
	nextAt, now int64
	next, v     float64
}

// at returns what the point is at a time, which never goes back from one call to
// the next.
func (c *cursor) at(t int64) (v float64, good bool) {
	if c.it == nil {
		return 0, false
	}
	if !c.begun {
		c.begun, c.v = true, math.Float64frombits(value.StaleNaN)
		c.read()
	}
	for !c.over && c.nextAt <= t {
		c.v, c.now = c.next, c.nextAt
		c.read()
	}
	return c.v, !math.IsNaN(c.v) && t <= c.now+repeatAfter
}

func (c *cursor) read() {
	if c.over = c.it.Next() == chunkenc.ValNone; !c.over {
		c.nextAt, c.next = c.it.At()
	}
}
