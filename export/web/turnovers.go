package web

import (
	"encoding/json"
	"net/http"
	"time"

	"fanwarden/poller/reading"
)

// turnoverAnswer is the record of a turnover in short.
type turnoverAnswer struct {
	Began    time.Time      `json:"began"`
	Who      string         `json:"who"`
	Mode     string         `json:"mode"`     // passive or exercised
	Verdicts map[string]int `json:"verdicts"` // how many points have each
	SHA256   string         `json:"sha256"`
}

// turnoversAnswer lists whole records, as they were sealed.
type turnoversAnswer struct {
	Turnovers []json.RawMessage `json:"turnovers"`
}

// lastTurnover is the newest record of a fan in short; nil where there is none.
func lastTurnover(desk Desk, fan reading.FanID) *turnoverAnswer {
	records, err := desk.Turnovers(fan)
	var r struct {
		turnoverAnswer
		Points []struct {
			Verdict string `json:"verdict"`
		} `json:"points"`
	}
	if err != nil || len(records) == 0 || json.Unmarshal(records[0].JSON, &r) != nil {
		return nil
	}
	r.Verdicts = make(map[string]int)
	for _, p := range r.Points {
		r.Verdicts[p.Verdict]++
	}
	return &r.turnoverAnswer
}

func (s *site) serveTurnovers(w http.ResponseWriter, r *http.Request) {
	_, f := s.fanOf(w, r)
	if f == nil {
		return
	}
	answer := turnoversAnswer{Turnovers: []json.RawMessage{}}
	if s.desk != nil {
		records, err := s.desk.Turnovers(f.Fan.ID)
		if err != nil {
			answerJSON(w, http.StatusInternalServerError, errorAnswer{"the records cannot be read: " + err.Error() + "; see the log of the daemon"})
			return
		}
		for _, r := range records {
			answer.Turnovers = append(answer.Turnovers, r.JSON)
		}
	}
	answerJSON(w, http.StatusOK, answer)
}
