package web

import (
	"net/http"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// settingsAnswer is the answer of a fan's settings: what the fleet file says of
// its controller and what the controller reads back, and where each of its points
// lies on the wire with the words that were last read there. All that was read is
// of one reading.
type settingsAnswer struct {
	Time     time.Time       `json:"time"`
	Fan      string          `json:"fan"`
	Read     *time.Time      `json:"read"`              // when the values and words were
	Age      *float64        `json:"age_s"`             // of them
	Polled   *time.Time      `json:"polled"`            // the last time that the fan was
	Outcome  string          `json:"outcome,omitempty"` // of that
	Settings []settingAnswer `json:"settings"`
	Points   []placeAnswer   `json:"points"`
	Baseline *baselineAnswer `json:"baseline"` // null: none was recorded
	Turnover *turnoverAnswer `json:"turnover"` // null: there is no record
}

// settingAnswer is one setting.
type settingAnswer struct {
	Key       string          `json:"key"` // in the fleet file
	Title     string          `json:"title"`
	Value     *float64        `json:"value"` // in the base unit; null where it is no number, or not known
	Dimension string          `json:"dimension"`
	Text      string          `json:"text"` // for people; "" where it is not known
	Default   bool            `json:"default"`
	Ends      []float64       `json:"ends,omitempty"` // of a range, in the base unit
	ReadBack  *readBackAnswer `json:"read_back"`      // null where it is not read
	Agrees    *bool           `json:"agrees"`         // null where there is nothing to compare
}

// readBackAnswer is a setting as its controller tells it.
type readBackAnswer struct {
	Value   *float64 `json:"value"` // null unless it is good
	Text    string   `json:"text"`
	Quality string   `json:"quality"`
}

// baselineAnswer is what was recorded at turnover.
type baselineAnswer struct {
	Time     time.Time               `json:"time"`
	Settings []baselineSettingAnswer `json:"settings"`
}

type baselineSettingAnswer struct {
	Key   string  `json:"key"`
	Title string  `json:"title"`
	Value float64 `json:"value"`
	Text  string  `json:"text"`
}

func (s *site) serveSettings(w http.ResponseWriter, r *http.Request) {
	snapshot, f := s.fanOf(w, r)
	if f == nil {
		return
	}
	answer := (&settings{f, f.Fan, s.now(), snapshot.Fleet.Units}).describe()
	if s.desk != nil {
		answer.Baseline = describeBaseline(s.desk, f.Fan, snapshot.Fleet.Units)
		answer.Turnover = lastTurnover(s.desk, f.Fan.ID)
	}
	answerJSON(w, http.StatusOK, answer)
}

// settings tells of one fan as it is at an instant.
type settings struct {
	f     *export.Fan
	c     *config.Fan
	now   time.Time
	units units.System
}

func (s *settings) describe() settingsAnswer {
	a := settingsAnswer{Time: utc(s.now), Fan: string(s.c.ID), Read: known(s.f.Values.Time), Age: age(s.f, s.now), Polled: known(s.f.Polled)}
	if !s.f.Polled.IsZero() {
		a.Outcome = s.f.Outcome.String()
	}
	a.Settings = s.controllers()
	a.Settings = append(a.Settings, s.facts()...)
	a.Points = s.places()
	return a
}

// controllers lists the setpoint and the settings of the controller that the
// fleet file knows or the controller reads back.
func (s *settings) controllers() []settingAnswer {
	all := []settingAnswer{}
	for p := reading.Point(0); int(p) < reading.Points; p++ {
		if p != reading.Setpoint && (p < reading.MinSpeed || p > reading.HighSpeedDelay) {
			continue
		}
		if one, is := s.controller(p); is {
			all = append(all, one)
		}
	}
	return all
}

func (s *settings) controller(p reading.Point) (a settingAnswer, is bool) {
	d := dimension(s.c, p)
	a = settingAnswer{Key: p.String(), Title: titles[p], Dimension: kindOf(d)}
	value, holds := s.c.Setting(p)
	_, given := s.c.Given(p)
	if holds {
		a.Value, a.Text, a.Default = &value, s.units.Format(value, d), !given && p != reading.Setpoint
	}
	if _, mapped := s.c.Placed(p); !mapped {
		return a, holds
	}
	a.ReadBack = &readBackAnswer{Quality: quality(s.f, p, s.now)}
	reads, fresh := s.f.Fresh(p, s.now)
	if !fresh {
		return a, true
	}
	a.ReadBack.Value, a.ReadBack.Text = &reads, s.units.Format(reads, d)
	if given {
		same := s.c.SameSetting(p, value, reads)
		a.Agrees = &same
	}
	return a, true
}

// facts lists what the fleet file says of the fan beside its controller's
// settings, as far as it does.
func (s *settings) facts() []settingAnswer {
	f := s.c
	var all []settingAnswer
	text := func(key, title, text string) {
		if text != "" {
			all = append(all, settingAnswer{Key: key, Title: title, Dimension: "text", Text: text})
		}
	}
	number := func(key, title string, value float64, d units.Dimension, holds bool) {
		if holds {
			all = append(all, settingAnswer{Key: key, Title: title, Value: &value, Dimension: kindOf(d), Text: s.units.Format(value, d)})
		}
	}
	held := f.Controlled().Dimension()
	text("probe", "Side of the probe", f.ProbeSide())
	if f.HasProbeRange {
		text("probe_range", "What the sensor can read", s.units.Format(f.ProbeLow, held)+" to "+s.units.Format(f.ProbeHigh, held))
		all[len(all)-1].Ends = []float64{f.ProbeLow, f.ProbeHigh}
	}
	text("reference", "Low port of the probe breathes", map[config.Reference]string{config.Indoor: "indoors", config.Outdoor: "outdoors"}[f.Reference])
	number("riser_height", "Height of the riser", f.RiserHeight, units.Length, f.RiserHeight > 0)
	number("probe_area", "Area at the flow probe", f.ProbeArea, units.Area, f.ProbeArea > 0)
	number("probe_factor", "Factor of the flow probe", f.ProbeFactor, units.Plain, f.ProbeArea > 0)
	number("rated_power", "Rated power", f.RatedPower, units.Power, f.RatedPower > 0)
	number("rated_rpm", "Rated speed of rotation", f.RatedRPM, units.Rotation, f.RatedRPM > 0)
	text("life_safety", "Life safety", yes(f.LifeSafety, "yes: nothing ever writes to it"))
	text("allow_exercise", "May be exercised at turnover", yes(f.AllowExercise, "yes"))
	if !f.InService.IsZero() {
		text("in_service", "In service from", f.InService.Format(time.DateOnly))
	}
	return all
}

func yes(is bool, text string) string {
	if is {
		return text
	}
	return ""
}

func describeBaseline(desk Desk, f *config.Fan, shown units.System) *baselineAnswer {
	b, recorded := desk.Baseline(f.ID)
	if !recorded {
		return nil
	}
	return newBaseline(b, f, shown)
}

func newBaseline(b condition.Baseline, f *config.Fan, shown units.System) *baselineAnswer {
	a := &baselineAnswer{Time: utc(b.Time), Settings: []baselineSettingAnswer{}}
	for p := reading.Point(0); int(p) < reading.Points; p++ {
		if value, is := b.Settings[p]; is {
			a.Settings = append(a.Settings, baselineSettingAnswer{p.String(), titles[p], value, shown.Format(value, dimension(f, p))})
		}
	}
	return a
}
