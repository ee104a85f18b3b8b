package web

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/alarm"
)

func (s *site) acknowledge(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Note string `json:"note"`
	}
	if !bodyOf(w, r, &body) || !sayable(w, "note", &body.Note) {
		return
	}
	s.actOnAlarm(w, r, func(id alarm.ID, who string) error { return s.desk.Acknowledge(id, who, body.Note) })
}

func (s *site) shelve(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Until  textOrNumber `json:"until"`
		For    textOrNumber `json:"for"`
		Reason string       `json:"reason"`
	}
	if !bodyOf(w, r, &body) || !sayable(w, "reason", &body.Reason) {
		return
	}
	until, err := shelfEnd(string(body.Until), string(body.For), s.now())
	if err != nil {
		answerJSON(w, http.StatusBadRequest, errorAnswer{err.Error()})
		return
	}
	s.actOnAlarm(w, r, func(id alarm.ID, who string) error { return s.desk.Shelve(id, who, body.Reason, until) })
}

func (s *site) unshelve(w http.ResponseWriter, r *http.Request) {
	if bodyOf(w, r, &struct{}{}) {
		s.actOnAlarm(w, r, s.desk.Unshelve)
	}
}

// actOnAlarm does something with the alarm of the path, and answers how it is
// then.
func (s *site) actOnAlarm(w http.ResponseWriter, r *http.Request, act func(id alarm.ID, who string) error) {
	id := r.PathValue("id")
	if err := act(alarm.ID(id), whoAsks(r)); err != nil {
		refuseAct(w, id, err)
		return
	}
	s.answerAlarm(w, id, s.desk.Unkept())
}

// serviceAnswer is the answer to a fan's being taken out of service or put back.
type serviceAnswer struct {
	Time         time.Time `json:"time"`
	Fan          string    `json:"fan"`
	OutOfService bool      `json:"out_of_service"`
	Who          string    `json:"who"`
	Reason       string    `json:"reason,omitempty"`
	NotKept      string    `json:"not_kept,omitempty"` // why it is not on disk yet
}

func (s *site) takeOut(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Reason string `json:"reason"`
	}
	if bodyOf(w, r, &body) && sayable(w, "reason", &body.Reason) {
		s.actOnFan(w, r, serviceAnswer{OutOfService: true, Reason: body.Reason},
			func(fan reading.FanID, who string) error { return s.desk.TakeOut(fan, who, body.Reason) })
	}
}

func (s *site) putIn(w http.ResponseWriter, r *http.Request) {
	if bodyOf(w, r, &struct{}{}) {
		s.actOnFan(w, r, serviceAnswer{}, s.desk.PutIn)
	}
}

// actOnFan does something with the fan of the path, which must be in the fleet
// file.
func (s *site) actOnFan(w http.ResponseWriter, r *http.Request, answer serviceAnswer, act func(fan reading.FanID, who string) error) {
	_, f := s.fanOf(w, r)
	if f == nil {
		return
	}
	answer.Time, answer.Fan, answer.Who = utc(s.now()), string(f.Fan.ID), whoAsks(r)
	if err := act(f.Fan.ID, answer.Who); err != nil {
		refuseAct(w, answer.Fan, err)
		return
	}
	answer.NotKept = s.desk.Unkept()
	answerJSON(w, http.StatusOK, answer)
}

// refuseAct answers why something was not done.
func refuseAct(w http.ResponseWriter, id string, err error) {
	switch {
	case errors.Is(err, alarm.ErrUnknown):
		unknownAlarm(w, id)
	case errors.Is(err, alarm.ErrReason):
		answerJSON(w, http.StatusBadRequest, errorAnswer{"say why: the body wants a \"reason\", as in {\"reason\": \"belt on order\"}"})
	case errors.Is(err, alarm.ErrTime):
		answerJSON(w, http.StatusBadRequest, errorAnswer{err.Error() + "; give an earlier \"until\" or a shorter \"for\", and shelve it again when that is over"})
	default:
		answerJSON(w, http.StatusInternalServerError, errorAnswer{"it was not done: " + err.Error() + "; the daemon's log says more"})
	}
}

// shelfEnd finds out when a shelf ends from what was given of the two.
func shelfEnd(until, lasts string, now time.Time) (time.Time, error) {
	switch {
	case (until == "") == (lasts == ""):
		return time.Time{}, errors.New(`say how long, by one of "until" and "for", as in {"for": "8h", "reason": "belt on order"}`)
	case until != "":
		if t, ok := parseTime(until); ok {
			return t, nil
		}
		return time.Time{}, fmt.Errorf("\"until\" = %q is no time; write it as \"2026-01-05T06:31:10Z\" or in seconds since 1970", until)
	}
	s, err := secondsOf(lasts)
	if err != nil || !(s > 0 && s <= alarm.LongestShelf.Seconds()) {
		return time.Time{}, fmt.Errorf("\"for\" = %q must be a time above 0 and up to %d days, as in \"8h\" or 28800 for seconds", lasts, int(alarm.LongestShelf/(24*time.Hour)))
	}
	return now.Add(time.Duration(s * float64(time.Second))), nil
}

// secondsOf reads a length of time, with a unit or in seconds.
func secondsOf(text string) (float64, error) {
	if s, err := units.Parse(text, units.Time); err == nil {
		return s, nil
	}
	return units.Parse(text+" s", units.Time)
}
