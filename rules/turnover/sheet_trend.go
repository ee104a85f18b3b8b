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
	From, To string
	Lanes    []laneView
}

// laneView is one lane: lines over time, between two labelled limits.
type laneView struct {
	Title     string
	Top       int // of the lane in the drawing
	High, Low string
	Lines     []lineView
}

type lineView struct {
	Class string
	Path  string
}

const (
	trendWidth = 600
	laneHeight = 70
	laneGap    = 22
)

// newTrend draws the trend of a record; nil where there is none.
func newTrend(r *Record, zone *time.Location) *trendView {
	if r.Course == nil || len(r.Course.Trend) < 2 {
		return nil
	}
	trend := r.Course.Trend
	v := &trendView{From: trend[0].Time.In(zone).Format("15:04:05"), To: trend[len(trend)-1].Time.In(zone).Format("15:04:05 MST")}
	speed, contact := func(t *TrendRecord) *float64 { return t.Speed }, func(t *TrendRecord) *float64 { return t.Contact }
	forced, value := func(t *TrendRecord) *float64 { return t.Forced }, func(t *TrendRecord) *float64 { return t.Value }
	low, high := span(trend, value)
	v.Lanes = []laneView{
		{Title: "speed: read (line), forced (dashes)", High: "100 %", Low: "0 %", Lines: []lineView{
			{"forced", draw(trend, forced, 0, 1, true)}, {"read", draw(trend, speed, 0, 1, false)}}},
		{Title: r.Fan.Controls, High: r.controlled(high), Low: r.controlled(low), Lines: []lineView{{"read", draw(trend, value, low, high, false)}}},
		{Title: "high-speed contact", High: "closed", Low: "open", Lines: []lineView{{"read", draw(trend, contact, 0, 1, true)}}},
	}
	for i := range v.Lanes {
		v.Lanes[i].Top = laneGap + i*(laneHeight+laneGap)
	}
	return v
}

// Height is that of the drawing.
func (v *trendView) Height() int { return len(v.Lanes)*(laneHeight+laneGap) + laneGap }

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
func draw(trend []TrendRecord, of func(*TrendRecord) *float64, low, high float64, stepped bool) string {
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
		y := laneHeight * (1 - math.Min(1, math.Max(0, (*v-low)/(high-low))))
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
