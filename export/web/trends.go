package web

import (
	"context"
	"math"
	"net/http"
	"runtime"
	"sync"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/units"
)

// What the trends of a building show.
const (
	trendSteps = 96
	trendHours = 24 // unless more are asked for
	mostHours  = 30 * 24
)

// trendsAnswer is the answer of a building's trends: one small one of each fan.
type trendsAnswer struct {
	From time.Time             `json:"from"`
	To   time.Time             `json:"to"`
	Step float64               `json:"step_s"`
	Fans map[string]smallTrend `json:"fans"`
}

// smallTrend has one value a step, null where nothing good was recorded.
type smallTrend struct {
	Speed []*float64 `json:"speed"` // mean
	Low   []*float64 `json:"low"`   // of what the controller holds, in the base unit
	High  []*float64 `json:"high"`
}

func (s *site) serveTrends(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		starting(w)
		return
	}
	fans, known := fansOf(snapshot.Fleet, r.PathValue("id"))
	if !known {
		unknown(w, "building", r.PathValue("id"))
		return
	}
	if s.history == nil {
		unkept(w)
		return
	}
	q := asked(r, "hours")
	length := time.Duration(q.number("hours", trendHours, mostHours)) * time.Hour
	if q.refused(w) {
		return
	}
	to := s.now()
	answer := trendsAnswer{From: utc(to.Add(-length)), To: utc(to), Step: seconds(length / trendSteps)}
	var err error
	if answer.Fans, err = s.trends(r.Context(), fans, answer.From, answer.To); err != nil {
		unreadHistory(w, err)
		return
	}
	answerJSON(w, http.StatusOK, answer)
}

// fansOf returns the fans of a building.
func fansOf(fleet *config.Fleet, building string) (fans []*config.Fan, known bool) {
	for _, b := range fleet.Buildings {
		known = known || string(b.ID) == building
	}
	for _, f := range fleet.Fans {
		if string(f.Building.ID) == building {
			fans = append(fans, f)
		}
	}
	return fans, known
}

// trends reads the trends of fans, several at once.
func (s *site) trends(ctx context.Context, fans []*config.Fan, from, to time.Time) (map[string]smallTrend, error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	todo, all := make(chan *config.Fan), make(map[string]smallTrend, len(fans))
	var lock sync.Mutex
	var readers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		readers.Go(func() {
			for f := range todo {
				t, err := s.history.Trend(ctx, f.ID, f.Controlled(), from, to, to.Sub(from)/trendSteps)
				if err != nil {
					stop(err)
					continue
				}
				small := makeSmall(t)
				lock.Lock()
				all[string(f.ID)] = small
				lock.Unlock()
			}
		})
	}
	for _, f := range fans {
		todo <- f
	}
	close(todo)
	readers.Wait()
	return all, context.Cause(ctx)
}

func makeSmall(t *export.Trend) smallTrend {
	s := smallTrend{make([]*float64, trendSteps), make([]*float64, trendSteps), make([]*float64, trendSteps)}
	fine := 0.01 // Pa
	if t.Controlled.Dimension() == units.Flow {
		fine = 1e-5
	}
	for i := range t.Buckets {
		b := &t.Buckets[i]
		at := int(b.Start.Sub(t.From) / t.Step)
		if b.Speed.Count > 0 {
			s.Speed[at] = nearest(b.Speed.Average, 0.001)
		}
		if b.Value.Count > 0 {
			s.Low[at], s.High[at] = nearest(b.Value.Min, fine), nearest(b.Value.Max, fine)
		}
	}
	return s
}

// nearest returns a value as a multiple of a step of a power of ten.
func nearest(v, step float64) *float64 {
	v = math.Round(v/step)/math.Round(1/step) + 0 // and no -0
	return &v
}
