package web

import (
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"time"

	"fanwarden/export"
	"fanwarden/export/report"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// History gives what is kept of the fans' readings. Its errors say what to do.
type History interface {
	report.Readings
	Trend(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time, step time.Duration) (*export.Trend, error)
	// Controlled tells what a fan held that the fleet has no longer, if any of its
	// readings is kept.
	Controlled(ctx context.Context, fan reading.FanID) (reading.Point, bool)
	// Recording writes readings as CSV that `fanwarden replay` reads.
	Recording(ctx context.Context, out io.Writer, fan reading.FanID, controlled reading.Point, from, to time.Time) error
}

// What a trend shows unless it is asked for more, and the most that it may.
const (
	usualSpan   = 24 * time.Hour
	longestSpan = 10 * 366 * 24 * time.Hour
	usualSteps  = 1000
	mostSteps   = 5000
)

// trendAnswer is the answer of a fan's history.
type trendAnswer struct {
	Fan   string       `json:"fan"`
	Point string       `json:"point"` // what value and setpoint are of
	Unit  string       `json:"unit"`
	From  time.Time    `json:"from"`
	To    time.Time    `json:"to"`
	Step  float64      `json:"step_s"`
	Steps []stepAnswer `json:"steps"`
}

// stepAnswer is what was recorded in one step; one in which nothing was is left
// out.
type stepAnswer struct {
	Start    time.Time          `json:"start"`
	Readings int                `json:"readings"`
	Value    *extentAnswer      `json:"value"` // null where none was good
	Speed    *extentAnswer      `json:"speed"`
	Setpoint *float64           `json:"setpoint"`
	Contact  *float64           `json:"high_speed"` // share of the time that it was closed
	Modes    map[string]float64 `json:"modes"`      // shares
	Outcomes map[string]float64 `json:"outcomes"`
}

type extentAnswer struct {
	Min   float64 `json:"min"`
	Max   float64 `json:"max"`
	Mean  float64 `json:"mean"`
	First float64 `json:"first"`
	Last  float64 `json:"last"`
}

// span is what of a fan's history is asked for.
type span struct {
	fan      reading.FanID
	of       reading.Point // what its controller holds
	from, to time.Time
	step     time.Duration
}

func (s *site) historyRoutes() []route {
	return []route{
		{"GET /api/v1/fans/{id}/history", toRead, http.HandlerFunc(s.serveTrend)},
		{"GET /api/v1/fans/{id}/history.csv", toRead, http.HandlerFunc(s.serveRecording)},
		{"GET /api/v1/buildings/{id}/trends", toRead, http.HandlerFunc(s.serveTrends)},
	}
}

func (s *site) serveTrend(w http.ResponseWriter, r *http.Request) {
	wanted, ok := s.span(w, r, "from", "to", "step")
	if !ok {
		return
	}
	t, err := s.history.Trend(r.Context(), wanted.fan, wanted.of, wanted.from, wanted.to, wanted.step)
	if err != nil {
		unreadHistory(w, err)
		return
	}
	answerJSON(w, http.StatusOK, describeTrend(t))
}

func (s *site) serveRecording(w http.ResponseWriter, r *http.Request) {
	wanted, ok := s.span(w, r, "from", "to")
	if !ok {
		return
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(copyTime)) // of a server; tests have none
	out := &fileWriter{w: w, kind: "text/csv; charset=utf-8", name: r.PathValue("id") + ".csv"}
	err := s.history.Recording(r.Context(), out, wanted.fan, wanted.of, wanted.from, wanted.to)
	switch {
	case err != nil && out.began:
		panic(http.ErrAbortHandler) // nobody may take what was sent for all
	case err != nil:
		unreadHistory(w, err)
	}
}

func unkept(w http.ResponseWriter) {
	answerJSON(w, http.StatusServiceUnavailable, errorAnswer{"this daemon keeps no history; give [store] dir a folder in the fleet file and start it anew"})
}

func unreadHistory(w http.ResponseWriter, err error) {
	answerJSON(w, http.StatusServiceUnavailable, errorAnswer{"no history was read: " + err.Error()})
}

// span reads what is asked for, and answers what cannot be.
func (s *site) span(w http.ResponseWriter, r *http.Request, keys ...string) (wanted span, ok bool) {
	snapshot := s.snapshot()
	if snapshot == nil {
		starting(w)
		return wanted, false
	}
	if !s.find(r.Context(), snapshot, &wanted, r.PathValue("id")) {
		unknown(w, "fan", r.PathValue("id"))
		return wanted, false
	}
	if s.history == nil {
		unkept(w)
		return wanted, false
	}
	q := asked(r, keys...)
	q.span(&wanted, s.now())
	return wanted, !q.refused(w)
}

// find looks a fan up in the fleet, and else among those that left it.
func (s *site) find(ctx context.Context, snapshot *export.Snapshot, wanted *span, id string) (known bool) {
	wanted.fan = reading.FanID(id)
	for _, f := range snapshot.Fleet.Fans {
		if f.ID == wanted.fan {
			wanted.of = f.Controlled()
			return true
		}
	}
	if s.history != nil {
		wanted.of, known = s.history.Controlled(ctx, wanted.fan)
	}
	return known
}

// between reads from and to: by default the last day.
func (q *query) between(wanted *span, now time.Time) {
	wanted.to = q.instant("to")
	if wanted.to.IsZero() {
		wanted.to = now
	}
	wanted.from = q.instant("from")
	if wanted.from.IsZero() {
		wanted.from = wanted.to.Add(-usualSpan)
	}
	length := wanted.to.Sub(wanted.from)
	if q.wrong == "" && (length <= 0 || length > longestSpan) {
		q.wrong = fmt.Sprintf("from must be before to, and at most ten years: they are %s and %s",
			utc(wanted.from).Format(time.RFC3339), utc(wanted.to).Format(time.RFC3339))
	}
}

// span reads step beside them: by default a thousandth.
func (q *query) span(wanted *span, now time.Time) {
	q.between(wanted, now)
	length := wanted.to.Sub(wanted.from)
	seconds := time.Duration(math.Ceil(length.Seconds() / usualSteps))
	wanted.step = q.length("step", max(1, seconds)*time.Second)
	if q.wrong == "" && length/wanted.step >= mostSteps {
		q.wrong = fmt.Sprintf("a step of %s makes more than %d steps of what is asked for; ask for a longer step or a shorter time", wanted.step, mostSteps)
	}
}

// length returns a length of time of at least a second, given in seconds or as a
// duration.
func (q *query) length(key string, def time.Duration) time.Duration {
	text := q.values.Get(key)
	if text == "" {
		return def
	}
	d, err := time.ParseDuration(text)
	if s, bad := strconv.ParseFloat(text, 64); bad == nil && s >= 1 && s <= longestSpan.Seconds() {
		d, err = time.Duration(s*1000)*time.Millisecond, nil
	}
	if (err != nil || d < time.Second || d > longestSpan) && q.wrong == "" {
		q.wrong = fmt.Sprintf("%s = %q must be a length of a second or more, in seconds or as in 30s, 5m, 1h", key, text)
	}
	return max(d, time.Second)
}

func describeTrend(t *export.Trend) trendAnswer {
	a := trendAnswer{Fan: string(t.Fan), Point: t.Controlled.String(), Unit: baseUnit(t.Controlled.Dimension()),
		From: utc(t.From), To: utc(t.To), Step: seconds(t.Step), Steps: make([]stepAnswer, len(t.Buckets))}
	for i := range t.Buckets {
		a.Steps[i] = describeStep(&t.Buckets[i])
	}
	return a
}

func describeStep(b *export.Bucket) stepAnswer {
	a := stepAnswer{Start: utc(b.Start), Readings: b.Readings, Value: describeExtent(&b.Value), Speed: describeExtent(&b.Speed),
		Modes: map[string]float64{}, Outcomes: map[string]float64{}}
	if b.SetpointKnown {
		a.Setpoint = &b.Setpoint
	}
	if b.Contacts > 0 {
		closed := share(b.Closed, b.Contacts)
		a.Contact = &closed
	}
	for m, n := range b.Modes {
		if n > 0 {
			a.Modes[condition.Mode(m).String()] = share(n, b.Readings)
		}
	}
	for o, n := range b.Outcomes {
		if n > 0 {
			a.Outcomes[reading.Outcome(o).String()] = share(n, b.Readings)
		}
	}
	return a
}

// share is n of all, to four decimals, but never 0 or 1 where it is only nearly
// so: a single failed poll shows in a month.
func share(n, all int) float64 {
	s := math.Round(float64(n)/float64(all)*1e4) / 1e4
	if n > 0 && n < all {
		s = min(max(s, 1e-4), 1-1e-4)
	}
	return s
}

func describeExtent(e *export.Extent) *extentAnswer {
	if e.Count == 0 {
		return nil
	}
	return &extentAnswer{e.Min, e.Max, math.Round(e.Average*1e6) / 1e6, e.First, e.Last}
}
