package web

import (
	"io"
	"net/http"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/turnover"
)

// Desk is where alarms are handled. What it returns is the caller's own; its
// errors say what to do instead.
type Desk interface {
	// Alarms returns every alarm, those raised last first.
	Alarms() []alarm.Alarm
	Alarm(id alarm.ID) (alarm.Alarm, bool)
	// Journal returns the last entries that want accepts, the newest first, at
	// most n.
	Journal(n int, want func(*alarm.Entry) bool) ([]alarm.Entry, error)
	// JournalOf calls yield with the entries about a fan, the newest first, as
	// long as it wants more.
	JournalOf(fan reading.FanID, yield func(*alarm.Entry) (more bool)) error
	// JournalBack does the same with the entries about anything.
	JournalBack(yield func(*alarm.Entry) (more bool)) error
	Acknowledge(id alarm.ID, who, note string) error
	Shelve(id alarm.ID, who, reason string, until time.Time) error
	Unshelve(id alarm.ID, who string) error
	TakeOut(fan reading.FanID, who, reason string) error
	PutIn(fan reading.FanID, who string) error
	// Unkept says why what was just done is not on disk; "": it is, or nothing is to be.
	Unkept() string
	// Out returns the fans that are out of service, and why.
	Out() map[reading.FanID]alarm.Act
	// Baseline returns the settings recorded when a fan was handed over.
	Baseline(fan reading.FanID) (condition.Baseline, bool)
	// Turnovers returns the records of a fan's turnovers, the newest first.
	Turnovers(fan reading.FanID) ([]turnover.Kept, error)
	Figures() alarm.Figures
	// Revision is another number after any change of an alarm, or of what is out of
	// service.
	Revision() uint64
	// Backup writes a copy of what is kept; writing goes on meanwhile.
	Backup(w io.Writer) error
}

func (s *site) alarmRoutes() []route {
	routes := []route{
		{"GET /api/v1/alarms", toRead, http.HandlerFunc(s.serveAlarms)},
		{"GET /api/v1/alarms/figures", toRead, http.HandlerFunc(s.serveFigures)},
		{"GET /api/v1/alarms/{id}", toRead, http.HandlerFunc(s.serveAlarm)},
		{"GET /api/v1/journal", toRead, http.HandlerFunc(s.serveJournal)},
		{"GET /api/v1/fans/{id}/spans", toRead, http.HandlerFunc(s.serveSpans)},
		{"GET /api/v1/backup", toKnow, http.HandlerFunc(s.serveBackup)},
		{"POST /api/v1/alarms/{id}/acknowledge", toAct, http.HandlerFunc(s.acknowledge)},
		{"POST /api/v1/alarms/{id}/shelve", toAct, http.HandlerFunc(s.shelve)},
		{"POST /api/v1/alarms/{id}/unshelve", toAct, http.HandlerFunc(s.unshelve)},
		{"POST /api/v1/fans/{id}/out_of_service", toAct, http.HandlerFunc(s.takeOut)},
		{"POST /api/v1/fans/{id}/in_service", toAct, http.HandlerFunc(s.putIn)},
	}
	for i := range routes {
		routes[i].serve = s.withDesk(routes[i].serve)
	}
	return routes
}

// withDesk answers for a daemon that handles no alarms.
func (s *site) withDesk(next http.Handler) http.Handler {
	if s.desk != nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		answerJSON(w, http.StatusServiceUnavailable,
			errorAnswer{"this daemon handles no alarms; /api/v1/fleet says which conditions stand, and `fanwarden run` starts one that does"})
	})
}

// alarmsAnswer is the answer of /api/v1/alarms.
type alarmsAnswer struct {
	Time   time.Time     `json:"time"`
	Total  int           `json:"total"` // of those that fit, also where fewer are listed
	Alarms []alarmAnswer `json:"alarms"`
}

func (s *site) serveAlarms(w http.ResponseWriter, r *http.Request) {
	q := asked(r, "state", "building", "gateway", "fan", "severity", "condition", "limit")
	states := q.oneOf("state", stateNames)
	severities := q.oneOf("severity", severityNames)
	buildings, gateways, fans, conditions := q.values["building"], q.values["gateway"], q.values["fan"], q.values["condition"]
	limit := q.number("limit", 1000, 10000)
	if q.refused(w) {
		return
	}
	called := s.names()
	answer := alarmsAnswer{Time: utc(s.now()), Alarms: []alarmAnswer{}}
	for _, a := range s.desk.Alarms() {
		fits := inState(&a, states) && among(severities, a.Severity.String()) && among(buildings, string(a.Building)) &&
			among(gateways, string(a.Gateway)) && among(fans, string(a.Fan)) && among(conditions, string(a.Condition))
		if !fits {
			continue
		}
		if answer.Total++; answer.Total <= limit {
			answer.Alarms = append(answer.Alarms, describeAlarm(&a, called))
		}
	}
	answerJSON(w, http.StatusOK, answer)
}

func (s *site) serveAlarm(w http.ResponseWriter, r *http.Request) {
	s.answerAlarm(w, r.PathValue("id"), "")
}

// answerAlarm answers how an alarm is now.
func (s *site) answerAlarm(w http.ResponseWriter, id, notKept string) {
	a, known := s.desk.Alarm(alarm.ID(id))
	if !known {
		unknownAlarm(w, id)
		return
	}
	answer := describeAlarm(&a, s.names())
	now := utc(s.now())
	answer.Time, answer.NotKept = &now, notKept
	answerJSON(w, http.StatusOK, answer)
}
