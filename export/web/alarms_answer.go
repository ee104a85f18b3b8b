package web

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// alarmAnswer is what JSON says of one alarm.
type alarmAnswer struct {
	Time            *time.Time         `json:"time,omitempty"`     // of the answer, where it is about this alarm only
	NotKept         string             `json:"not_kept,omitempty"` // why what was just done is not on disk yet
	ID              string             `json:"id"`
	Building        string             `json:"building"`
	Gateway         string             `json:"gateway"`
	Fan             string             `json:"fan,omitempty"` // absent for a gateway's own
	Name            string             `json:"name,omitempty"`
	Condition       string             `json:"condition"`
	Severity        string             `json:"severity"`
	State           string             `json:"state"`
	Incident        string             `json:"incident,omitempty"`
	Since           *time.Time         `json:"since"`   // when it was first raised
	Raised          *time.Time         `json:"raised"`  // when it was last raised
	Cleared         *time.Time         `json:"cleared"` // when it last was
	Reason          string             `json:"reason,omitempty"`
	Times           int                `json:"times"` // that it was raised
	Chattering      bool               `json:"chattering"`
	Summary         string             `json:"summary"`
	Evidence        map[string]float64 `json:"evidence"`
	Causes          []string           `json:"causes"`
	Speaks          []string           `json:"speaks"`
	Checks          []string           `json:"checks"`
	FirstCheck      string             `json:"first_check,omitempty"`
	Acknowledgement *actAnswer         `json:"acknowledgement"` // null: nobody said that they know
	Shelf           *shelfAnswer       `json:"shelf"`           // null: not put aside
	SuppressedBy    string             `json:"suppressed_by,omitempty"`
	OutOfService    bool               `json:"out_of_service"`
	Quiet           bool               `json:"quiet"` // nobody is told of it now
}

// actAnswer is what somebody did.
type actAnswer struct {
	Time time.Time `json:"time"`
	Who  string    `json:"who"`
	Why  string    `json:"why,omitempty"`
}

type shelfAnswer struct {
	actAnswer
	Until time.Time `json:"until"`
}

func describeAlarm(a *alarm.Alarm, called *names) alarmAnswer {
	found := describeCondition(condition.Standing{Finding: a.Finding})
	answer := alarmAnswer{ID: string(a.ID), Building: string(a.Building), Gateway: string(a.Gateway), Fan: string(a.Fan), Name: called.fans[a.Fan],
		Condition: string(a.Condition), Severity: a.Severity.String(), State: a.State.String(), Incident: a.Incident,
		Since: known(a.Since), Raised: known(a.Raised), Cleared: known(a.Cleared), Reason: string(a.Reason),
		Times: a.Times, Chattering: a.Chattering,
		Summary: found.Summary, Evidence: found.Evidence, Causes: found.Causes, Speaks: found.Speaks, Checks: found.Checks,
		FirstCheck: found.FirstCheck, SuppressedBy: string(a.SuppressedBy), OutOfService: a.OutOfService, Quiet: a.Quiet()}
	if a.Acknowledgement != nil {
		act := describeAct(*a.Acknowledgement)
		answer.Acknowledgement = &act
	}
	if a.Shelf != nil {
		answer.Shelf = &shelfAnswer{describeAct(a.Shelf.Act), utc(a.Shelf.Until)}
	}
	return answer
}

func describeAct(a alarm.Act) actAnswer { return actAnswer{utc(a.Time), a.Who, a.Why} }

func unknownAlarm(w http.ResponseWriter, id string) {
	answerJSON(w, http.StatusNotFound,
		errorAnswer{"there is no alarm " + strconv.Quote(id) + "; /api/v1/alarms?state=all lists them all"})
}

// stateNames are what alarms can be asked for by: their states and what stands
// beside them. Without any, those are listed that somebody has yet to see to or
// that are put aside.
var stateNames = []string{"normal", "unacknowledged", "acknowledged", "returned", "active", "shelved", "suppressed",
	"out_of_service", "all"}

var severityNames = []string{condition.Note.String(), condition.Ticket.String(), condition.Page.String()}

// inState reports whether an alarm is in one of the states asked for.
func inState(a *alarm.Alarm, states []string) bool {
	if len(states) == 0 {
		return a.State != alarm.Normal || a.Shelf != nil
	}
	return slices.ContainsFunc(states, func(state string) bool {
		switch state {
		case "all":
			return true
		case "active":
			return a.State.Active()
		case "shelved":
			return a.Shelf != nil
		case "suppressed":
			return a.SuppressedBy != ""
		case "out_of_service":
			return a.OutOfService
		}
		return a.State.String() == state
	})
}

// among reports whether a value is one of those asked for; none is all.
func among(wanted []string, value string) bool {
	return len(wanted) == 0 || slices.Contains(wanted, value)
}
