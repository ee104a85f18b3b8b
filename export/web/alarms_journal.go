package web

import (
	"math"
	"net/http"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
)

// journalAnswer is the answer of /api/v1/journal.
type journalAnswer struct {
	Time    time.Time     `json:"time"`
	Entries []entryAnswer `json:"entries"` // the newest first
}

// entryAnswer is what JSON says of one line of the journal.
type entryAnswer struct {
	Time      time.Time `json:"time"`
	What      string    `json:"what"`
	Who       string    `json:"who,omitempty"` // absent for what nobody did
	Why       string    `json:"why,omitempty"`
	Building  string    `json:"building,omitempty"` // this and what follows: of the alarm
	Gateway   string    `json:"gateway,omitempty"`
	Fan       string    `json:"fan,omitempty"` // of the alarm, or the one that was acted on
	Name      string    `json:"name,omitempty"`
	Alarm     string    `json:"alarm,omitempty"`
	Condition string    `json:"condition,omitempty"`
	Severity  string    `json:"severity,omitempty"`
	State     string    `json:"state,omitempty"` // after it
	Summary   string    `json:"summary,omitempty"`
}

func (s *site) serveJournal(w http.ResponseWriter, r *http.Request) {
	q := asked(r, "building", "gateway", "fan", "condition", "alarm", "who", "from", "to", "limit")
	from, to := q.instant("from"), q.instant("to")
	limit := q.number("limit", 100, 1000)
	if q.refused(w) {
		return
	}
	entries, err := s.desk.Journal(limit, func(e *alarm.Entry) bool {
		return !e.Time.Before(from) && (to.IsZero() || e.Time.Before(to)) && q.wants(e)
	})
	if err != nil {
		unreadable(w, err)
		return
	}
	called := s.names()
	answer := journalAnswer{Time: utc(s.now()), Entries: make([]entryAnswer, len(entries))}
	for i := range entries {
		answer.Entries[i] = describeEntry(&entries[i])
		answer.Entries[i].Name = called.fans[reading.FanID(answer.Entries[i].Fan)]
	}
	answerJSON(w, http.StatusOK, answer)
}

func unreadable(w http.ResponseWriter, err error) {
	answerJSON(w, http.StatusServiceUnavailable,
		errorAnswer{"the journal cannot be read: " + err.Error() + "; look at the disk of [store] dir"})
}

// wants reports whether an entry is about what is asked for.
func (q *query) wants(e *alarm.Entry) bool {
	of := describeEntry(e)
	return among(q.values["building"], of.Building) && among(q.values["gateway"], of.Gateway) && among(q.values["fan"], of.Fan) &&
		among(q.values["condition"], of.Condition) && among(q.values["alarm"], of.Alarm) && among(q.values["who"], of.Who)
}

func describeEntry(e *alarm.Entry) entryAnswer {
	answer := entryAnswer{Time: utc(e.Time), What: string(e.What), Who: e.Who, Why: e.Why, Fan: string(e.Fan)}
	if a := e.Alarm; a != nil {
		answer.Building, answer.Gateway, answer.Fan = string(a.Building), string(a.Gateway), string(a.Fan)
		answer.Alarm, answer.Condition, answer.Severity = string(a.ID), string(a.Condition), a.Severity.String()
		answer.State, answer.Summary = a.State.String(), a.Summary
	}
	return answer
}

// figuresAnswer is the answer of /api/v1/alarms/figures.
type figuresAnswer struct {
	Time           time.Time                 `json:"time"`
	Standing       map[string]map[string]int `json:"standing"` // by severity and state
	Shelved        int                       `json:"shelved"`
	OutOfService   int                       `json:"out_of_service"`
	Chattering     int                       `json:"chattering"`
	Stale          int                       `json:"stale"` // that have stood for more than a day
	LastTenMinutes int                       `json:"last_10_minutes"`
	LastHour       int                       `json:"last_hour"`
	AnHour         float64                   `json:"an_hour"` // mean of the last day
	Targets        targetsAnswer             `json:"targets"`
	Flood          bool                      `json:"flood"`
	Floods         int                       `json:"floods_last_week"`
	Share          map[string]float64        `json:"share"` // of the last week's, by severity
	Raised         map[string]uint64         `json:"raised"`
	Frequent       []frequentAnswer          `json:"most_frequent"`
	Acknowledged   acknowledgedAnswer        `json:"acknowledged"`
}

// targetsAnswer says what one person can do (ISA-18.2-2016, table 7).
type targetsAnswer struct {
	Acceptable int `json:"acceptable_an_hour"`
	Most       int `json:"most_an_hour"`
}

type frequentAnswer struct {
	Building  reading.BuildingID `json:"building"`
	Gateway   reading.GatewayID  `json:"gateway"`
	Fan       reading.FanID      `json:"fan,omitempty"`
	Name      string             `json:"name,omitempty"`
	Condition string             `json:"condition"`
	Times     int                `json:"times"`
}

// acknowledgedAnswer says how long people took within the last week.
type acknowledgedAnswer struct {
	Alarms int      `json:"alarms"`
	Median *float64 `json:"median_s"` // null where there were none
	P95    *float64 `json:"p95_s"`
}

func (s *site) serveFigures(w http.ResponseWriter, r *http.Request) {
	if asked(r).refused(w) {
		return
	}
	answerJSON(w, http.StatusOK, describeFigures(s.desk.Figures(), s.names()))
}

// rounded leaves three digits behind the point.
func rounded(x float64) float64 { return math.Round(x*1000) / 1000 }

func describeFigures(f alarm.Figures, called *names) figuresAnswer {
	a := figuresAnswer{Time: utc(f.At), Standing: make(map[string]map[string]int), Shelved: f.Shelved, OutOfService: f.Out,
		Chattering: f.Chattering, Stale: f.Stale, LastTenMinutes: f.LastTenMinutes, LastHour: f.LastHour, AnHour: rounded(float64(f.LastDay) / 24),
		Targets: targetsAnswer{alarm.AcceptableAnHour, alarm.MostAnHour}, Flood: f.Flood, Floods: f.Floods,
		Share: make(map[string]float64), Raised: make(map[string]uint64), Frequent: make([]frequentAnswer, len(f.Frequent)),
		Acknowledged: acknowledgedAnswer{Alarms: f.Acknowledged}}
	for severity, name := range severityNames {
		a.Share[name], a.Raised[name], a.Standing[name] = rounded(f.Share[severity]), f.Raised[severity], make(map[string]int)
		for state, n := range f.Standing[severity] {
			a.Standing[name][alarm.State(state).String()] = n
		}
	}
	for i, one := range f.Frequent {
		a.Frequent[i] = frequentAnswer{one.Building, one.Gateway, one.Fan, called.fans[one.Fan], string(one.Condition), one.Times}
	}
	if f.Acknowledged > 0 {
		median, p95 := seconds(f.AcknowledgedMedian), seconds(f.AcknowledgedP95)
		a.Acknowledged.Median, a.Acknowledged.P95 = &median, &p95
	}
	return a
}
