package turnover

import (
	"fmt"
	"math"
	"strings"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// trendView is the trend of an exercise, drawn in a field of trendWidth by
// laneHeight a lane.
type trendView struct {
	Lanes []laneView
	Ticks []tickView
}

// tickView is a mark of the axis of time, in whole steps since the trend began.
type tickView struct {
	At     float64 // in the field
	X      float64 // in the drawing
	Anchor string
	Text   string
}

// laneView is one lane: lines over time, between two labelled limits.
type laneView struct {
	Title     string
	Top       int // of the lane in the drawing
	Height    int
	High, Low string
	Lines     []lineView
}

type lineView struct {
	Class string
	Path  string
}

const (
	trendLeft  = 90
	trendWidth = 600
	laneHeight = 70
	laneGap    = 24
	tightLane  = 26 // of what is open or closed
)

// newTrend draws the trend of a record; nil where there is none.
func newTrend(r *Record, zone *time.Location) *trendView {
	if r.Course == nil || len(r.Course.Trend) < 2 {
		return nil
	}
	trend := r.Course.Trend
	v := &trendView{Ticks: ticks(trend[0].Time, trend[len(trend)-1].Time, zone)}
	speed, contact := func(t *TrendRecord) *float64 { return t.Speed }, func(t *TrendRecord) *float64 { return t.Contact }
	forced, value := func(t *TrendRecord) *float64 { return t.Forced }, func(t *TrendRecord) *float64 { return t.Value }
	low, high := span(trend, value)
	v.Lanes = []laneView{
		{Title: "Speed: as read (line) and as forced (dashes)", High: "100 %", Low: "0 %", Height: laneHeight, Lines: []lineView{
			{"forced", draw(trend, forced, 0, 1, laneHeight, true)}, {"read", draw(trend, speed, 0, 1, laneHeight, false)}}},
		{Title: "Controlled value: " + r.Fan.Controls, High: r.controlled(high), Low: r.controlled(low), Height: laneHeight,
			Lines: []lineView{{"read", draw(trend, value, low, high, laneHeight, false)}}},
	}
	if path := draw(trend, contact, 0, 1, tightLane, true); path != "" {
		v.Lanes = append(v.Lanes, laneView{Title: "High-speed contact", High: "closed", Low: "open", Height: tightLane, Lines: []lineView{{"read", path}}})
	}
	top := 0
	for i := range v.Lanes {
		v.Lanes[i].Top = top + laneGap
		top += laneGap + v.Lanes[i].Height
	}
	return v
}

// Foot is where the times stand, and Height that of the drawing.
func (v *trendView) Foot() int   { last := v.Lanes[len(v.Lanes)-1]; return last.Top + last.Height + 15 }
func (v *trendView) Height() int { return v.Foot() + 6 }

// ticks are at whole minutes since the trend began, six of them or fewer, after the
// time of day at which it did.
func ticks(from, to time.Time, zone *time.Location) []tickView {
	all := []tickView{{X: trendLeft, Anchor: "start", Text: from.In(zone).Format("15:04:05 MST")}}
	lasts := to.Sub(from)
	step := time.Minute
	for lasts/step > 6 {
		step += time.Minute
	}
	for at := step; at <= lasts; at += step {
		x := math.Round(10*trendWidth*float64(at)/float64(lasts)) / 10
		all = append(all, tickView{At: x, X: trendLeft + x, Anchor: "middle", Text: fmt.Sprintf("+%d min", at/time.Minute)})
	}
	return all
}

// controlled writes a controlled value in the units of the site.
func (r *Record) controlled(v float64) string {
	system := units.Metric
	if r.Units == units.Imperial.String() {
		system = units.Imperial
	}
	point, _ := reading.FindPoint(r.Fan.Controls)
	return system.Format(v, point.Dimension())
}

// span is from the lowest to the highest value, and zero with them.
func span(trend []TrendRecord, of func(*TrendRecord) *float64) (low, high float64) {
	for i := range trend {
		if v := of(&trend[i]); v != nil {
			low, high = min(low, *v), max(high, *v)
		}
	}
	if low == high {
		high = low + 1
	}
	return low, high
}

// draw is the path of a line, broken where there is no value; stepped: it keeps
// its height until the next.
func draw(trend []TrendRecord, of func(*TrendRecord) *float64, low, high float64, height int, stepped bool) string {
	var b strings.Builder
	began, lasts := trend[0].Time, max(trend[len(trend)-1].Time.Sub(trend[0].Time), time.Millisecond)
	pen := false
	for i := range trend {
		v := of(&trend[i])
		if v == nil {
			pen = false
			continue
		}
		x := trendWidth * float64(trend[i].Time.Sub(began)) / float64(lasts)
		y := float64(height) * (1 - math.Min(1, math.Max(0, (*v-low)/(high-low))))
		switch {
		case !pen:
			fmt.Fprintf(&b, "M%.1f %.1f", x, y)
		case stepped:
			fmt.Fprintf(&b, "H%.1fV%.1f", x, y)
		default:
			fmt.Fprintf(&b, "L%.1f %.1f", x, y)
		}
		pen = true
	}
	return b.String()
}
