package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/report"
	"fanwarden/rules/alarm"
)

// queued is how long a report may wait for the one that is being made. One at a
// time is made, since each reads a month of a building from the disk.
const queued = 20 * time.Second

// unmade is why there is no report, as a sentence, and the status that goes with
// it.
type unmade struct {
	status int
	says   string
}

// made is a report with what is needed to tell it.
type made struct {
	*report.Report
	snapshot *export.Snapshot
	now      time.Time
	zone     *time.Location
	assets   string
	of       string // the table that is asked for
}

// The tables of a report.
const (
	fansTable      = "fans"
	conditionTable = "conditions"
)

// report makes the report that is asked for, or says why there is none.
func (s *site) report(r *http.Request, month string, keys ...string) (*made, *unmade) {
	snapshot, now := s.snapshot(), s.now()
	if snapshot == nil {
		return nil, &unmade{http.StatusServiceUnavailable, waiting(nil)}
	}
	q := asked(r, keys...)
	of := append(q.oneOf("of", []string{fansTable, conditionTable}), fansTable)[0]
	if q.wrong != "" {
		return nil, &unmade{http.StatusBadRequest, q.wrong}
	}
	if s.history == nil {
		return nil, &unmade{http.StatusServiceUnavailable, "this daemon keeps no history, and a report is made of that; give [store] dir a folder in the fleet file and start it anew"}
	}
	wanted, refused := wantedOf(snapshot.Fleet, r.PathValue("building"), month, now)
	if refused != nil {
		return nil, refused
	}
	counted, err := s.count(r.Context(), wanted)
	if err != nil {
		return nil, s.unreadReport(err)
	}
	if counted.Empty() {
		return nil, nothingKept(snapshot, wanted)
	}
	return &made{Report: counted, snapshot: snapshot, now: now, zone: snapshot.Fleet.Zone(), assets: s.library.path(), of: of}, nil
}

// wantedOf finds out what is asked for.
func wantedOf(fleet *config.Fleet, building, month string, now time.Time) (*report.Wanted, *unmade) {
	w := &report.Wanted{Fleet: fleet, Now: now}
	i := slices.IndexFunc(fleet.Buildings, func(b *config.Building) bool { return string(b.ID) == building })
	if i < 0 {
		return nil, &unmade{http.StatusNotFound, "there is no building " + strconv.Quote(building) + "; /reports lets you choose one, and /api/v1/site lists them all"}
	}
	w.Building = fleet.Buildings[i]
	var err error
	if w.Month, err = report.ParseMonth(month); err != nil {
		return nil, &unmade{http.StatusBadRequest, err.Error()}
	}
	if zone := fleet.Zone(); !w.Month.Begins(zone).Before(now) {
		return nil, &unmade{http.StatusNotFound, fmt.Sprintf("%s has not begun yet; the latest month is %s", w.Month, report.MonthOf(now.In(zone)))}
	}
	return w, nil
}

// errBusy is the error of a report that waited too long for its turn.
var errBusy = errors.New("other reports are being made, one at a time; ask again in a moment")

// count makes a report when it is its turn. It stops when who asked is gone.
func (s *site) count(ctx context.Context, w *report.Wanted) (*report.Report, error) {
	turn, cancel := context.WithTimeout(ctx, queued)
	defer cancel()
	select {
	case s.reporting <- struct{}{}:
		defer func() { <-s.reporting }()
	case <-turn.Done():
		return nil, errors.Join(errBusy, ctx.Err())
	}
	if s.desk != nil {
		since := w.Month.Begins(w.Fleet.Zone())
		err := s.desk.JournalBack(func(e *alarm.Entry) bool {
			if e.Alarm != nil && e.Alarm.Building == w.Building.ID {
				w.Journal = append(w.Journal, *e)
			}
			return !e.Time.Before(since) && ctx.Err() == nil
		})
		if err != nil {
			return nil, fmt.Errorf("the journal cannot be read: %w; look at the disk of [store] dir", err)
		}
		slices.Reverse(w.Journal)
		w.Alarms = s.desk.Alarms()
	}
	return report.Make(ctx, w, s.history)
}

func (s *site) unreadReport(err error) *unmade {
	if errors.Is(err, errBusy) {
		return &unmade{http.StatusServiceUnavailable, errBusy.Error()}
	}
	return &unmade{http.StatusServiceUnavailable, "no report was made: " + err.Error()}
}

// nothingKept says why there is nothing to tell of a month, and what would help.
func nothingKept(snapshot *export.Snapshot, w *report.Wanted) *unmade {
	says := fmt.Sprintf("nothing is kept of %s in %s", clean(w.Building.Name), w.Month)
	switch oldest := snapshot.History.Oldest; {
	case !slices.ContainsFunc(w.Fleet.Fans, func(f *config.Fan) bool { return f.Building.ID == w.Building.ID }):
		says += ": the fleet file has no fans in it; say in [[fans]] or [[gateways]] which building they are in"
	case !oldest.IsZero() && oldest.After(w.Month.Next().Begins(w.Fleet.Zone())):
		says += fmt.Sprintf(": readings go back to %s; a longer [store] keep keeps the next months longer", oldest.In(w.Fleet.Zone()).Format("2 January 2006"))
	default:
		says += ": no reading of its fans was recorded; look at its gateways, and ask again when they have been read for a while"
	}
	return &unmade{http.StatusNotFound, says}
}

// sentence makes one of what an error says.
func sentence(text string) string {
	return capital(text) + "."
}

// capital writes the first letter of a text large.
func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// fileName leaves of a text what every file system takes.
func fileName(text string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '-'
	}, text)
}
