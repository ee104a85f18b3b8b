package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"time"

	"fanwarden/export"
	"fanwarden/rules/condition"
)

// fleetAnswer is the answer of /api/v1/fleet.
type fleetAnswer struct {
	Time      time.Time        `json:"time"`  // of this answer; ages are as of it
	Taken     time.Time        `json:"taken"` // when the snapshot was taken
	Name      string           `json:"name"`
	Version   string           `json:"version"`
	Ready     bool             `json:"ready"`
	Reload    reloadAnswer     `json:"reload"`
	Incidents []incidentAnswer `json:"incidents"`
	Buildings []buildingAnswer `json:"buildings"`
	Gateways  []gatewayAnswer  `json:"gateways"`
	Fans      []fanAnswer      `json:"fans"`
}

type reloadAnswer struct {
	Good   bool       `json:"good"`
	GoodAt *time.Time `json:"good_at"`
}

type buildingAnswer struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

type errorAnswer struct {
	Error string `json:"error"`
}

func (s *site) serveFleet(w http.ResponseWriter, _ *http.Request) {
	snapshot, now := s.snapshot(), s.now()
	if snapshot == nil {
		starting(w)
		return
	}
	answer := fleetAnswer{Time: utc(now), Taken: utc(snapshot.Taken), Name: snapshot.Fleet.Name,
		Version: snapshot.Version, Ready: snapshot.Ready,
		Reload:    reloadAnswer{snapshot.Reload.Good, known(snapshot.Reload.GoodAt)},
		Incidents: describeIncidents(snapshot.Incidents),
		Buildings: describeBuildings(snapshot.Fleet),
		Gateways:  make([]gatewayAnswer, len(snapshot.Gateways)),
		Fans:      make([]fanAnswer, len(snapshot.Fans))}
	for i, g := range snapshot.Gateways {
		answer.Gateways[i] = describeGateway(g, now)
	}
	for i, f := range snapshot.Fans {
		answer.Fans[i] = describeFan(f, now)
	}
	answerJSON(w, http.StatusOK, answer)
}

// incidentsAnswer is the answer of /api/v1/incidents.
type incidentsAnswer struct {
	Time      time.Time        `json:"time"`
	Incidents []incidentAnswer `json:"incidents"`
}

func (s *site) serveIncidents(w http.ResponseWriter, r *http.Request) {
	q := asked(r, "building")
	if q.refused(w) {
		return
	}
	snapshot := s.snapshot()
	if snapshot == nil {
		starting(w)
		return
	}
	all := slices.DeleteFunc(slices.Clone(snapshot.Incidents), func(in condition.Incident) bool {
		return !among(q.values["building"], string(in.Building))
	})
	answerJSON(w, http.StatusOK, incidentsAnswer{utc(s.now()), describeIncidents(all)})
}

// fanOf finds the fan of the path in the snapshot; where there is none it answers
// that, and f is nil.
func (s *site) fanOf(w http.ResponseWriter, r *http.Request) (snapshot *export.Snapshot, f *export.Fan) {
	snapshot = s.snapshot()
	if snapshot == nil {
		starting(w)
		return nil, nil
	}
	if f = findFan(snapshot, r.PathValue("id")); f == nil {
		unknown(w, "fan", r.PathValue("id"))
	}
	return snapshot, f
}

// findFan returns nil where there is no such fan.
func findFan(snapshot *export.Snapshot, id string) *export.Fan {
	for _, f := range snapshot.Fans {
		if string(f.Fan.ID) == id {
			return f
		}
	}
	return nil
}

func (s *site) serveFan(w http.ResponseWriter, r *http.Request) {
	if _, f := s.fanOf(w, r); f != nil {
		now := s.now()
		answer := describeFan(f, now)
		answer.Time, answer.Points = known(now), describePoints(f, now)
		answerJSON(w, http.StatusOK, answer)
	}
}

func (s *site) serveGateway(w http.ResponseWriter, r *http.Request) {
	snapshot, now := s.snapshot(), s.now()
	if snapshot == nil {
		starting(w)
		return
	}
	id := r.PathValue("id")
	for _, g := range snapshot.Gateways {
		if string(g.Gateway.ID) == id {
			answer := describeGateway(g, now)
			answer.Time, answer.Fans = known(now), fansBehind(snapshot, g)
			answerJSON(w, http.StatusOK, answer)
			return
		}
	}
	unknown(w, "gateway", id)
}

func fansBehind(s *export.Snapshot, g *export.Gateway) []string {
	ids := []string{}
	for _, f := range s.Fans {
		if f.Fan.Gateway == g.Gateway {
			ids = append(ids, string(f.Fan.ID))
		}
	}
	return ids
}

func starting(w http.ResponseWriter) {
	w.Header().Set("Retry-After", "1")
	answerJSON(w, http.StatusServiceUnavailable, errorAnswer{waiting(nil)})
}

func unknown(w http.ResponseWriter, what, id string) {
	answerJSON(w, http.StatusNotFound,
		errorAnswer{"there is no " + what + " " + strconv.Quote(id) + "; /api/v1/fleet lists them all"})
}

// answerJSON sends an answer as a whole, so that a fault in making it up can
// still be told by its status.
func answerJSON(w http.ResponseWriter, status int, answer any) {
	body, err := json.Marshal(answer)
	if err != nil {
		http.Error(w, "the answer could not be made up: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)+1))
	w.WriteHeader(status)
	_, _ = w.Write(append(body, '\n'))
}

// utc returns a time as answers write it: in UTC, to the millisecond.
func utc(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }

// known returns a time, or nil where there is none, which JSON writes as null.
func known(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = utc(t)
	return &t
}

// seconds returns a length of time in seconds, to the millisecond.
func seconds(d time.Duration) float64 { return float64(d.Milliseconds()) / 1000 }
