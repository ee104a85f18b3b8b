package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Hours are some hours of some days of the week, in the fleet's zone.
type Hours struct {
	Days [7]bool // by time.Weekday: on which they begin
	// From and Until are times of the day by the clock on the wall, since
	// midnight. Until is after From; beyond 24 h it is on the next day.
	From, Until time.Duration
}

// Include reports whether an instant is within the hours. The clock on the wall
// counts, so that they begin and end at the same time of the day in summer and
// in winter.
func (h Hours) Include(at time.Time) bool {
	wall := time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute + time.Duration(at.Second())*time.Second
	today := at.Weekday()
	yesterday := (today + 6) % 7
	return h.Days[today] && wall >= h.From && wall < h.Until || h.Days[yesterday] && wall+aDay < h.Until
}

// Open reports whether a way is open at an instant.
func (w *Way) Open(at time.Time) bool {
	for _, h := range w.Hours {
		if h.Include(at) {
			return true
		}
	}
	return len(w.Hours) == 0
}

// Opens returns when a way is next open, from an instant on: that instant where
// it is open then. The answer is exact to the minute.
func (w *Way) Opens(at time.Time) time.Time {
	if w.Open(at) {
		return at
	}
	next := at.Truncate(time.Minute)
	if begins := w.begins(next).Add(-mostShift); begins.After(next) {
		next = begins
	}
	for range 8 * 24 * 60 { // a week, and a clock that was set back
		if next = next.Add(time.Minute); w.Open(next) {
			return next
		}
	}
	return at
}

// mostShift is more than clocks on the wall are set forward or back.
const mostShift = 2*time.Hour + time.Minute

// begins returns when the next hours begin, or did a moment ago, as if the clock
// on the wall were not set forward or back. It saves walking there.
func (w *Way) begins(at time.Time) time.Time {
	first := at.Add(8 * aDay)
	for _, h := range w.Hours {
		for day := range 9 {
			on := time.Date(at.Year(), at.Month(), at.Day()+day-1, 0, int(h.From/time.Minute), 0, 0, at.Location())
			if h.Days[on.Weekday()] && on.Add(mostShift).After(at) && on.Before(first) {
				first = on
			}
		}
	}
	return first
}

const aDay = 24 * time.Hour

var weekdays = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// hours reads a list of hours, each as in "mon-fri 07:00-19:00".
func (t *table) hours(key string) []Hours {
	var all []Hours
	for _, text := range t.words(key) {
		h, problem := parseHours(text)
		if problem != "" {
			t.fault(key, fmt.Sprintf("%q: %s", text, problem), `write days, times or both, as in "mon-fri 18:00-07:00" or "sat,sun"`)
			continue
		}
		all = append(all, h)
	}
	return all
}

// parseHours reads days, times of the day, or both.
func parseHours(text string) (h Hours, problem string) {
	h = Hours{Until: aDay}
	days := ""
	for _, part := range strings.Fields(strings.ToLower(text)) {
		switch {
		case !strings.Contains(part, ":"):
			if days != "" {
				return h, "it has two lists of days"
			}
			if days = part; !h.days(part) {
				return h, fmt.Sprintf("%q are no days", part)
			}
		case h.From != 0 || h.Until != aDay:
			return h, "it has two times of the day"
		default:
			if !h.times(part) {
				return h, fmt.Sprintf("%q is no time of the day", part)
			}
		}
	}
	if days == "" {
		h.Days = [7]bool{true, true, true, true, true, true, true}
	}
	if strings.TrimSpace(text) == "" {
		return h, "it is empty"
	}
	return h, ""
}

// days reads "mon-fri", "sat,sun" or a mix of them.
func (h *Hours) days(text string) bool {
	for _, part := range strings.Split(text, ",") {
		first, last, span := strings.Cut(part, "-")
		if !span {
			last = first
		}
		from, until := weekday(first), weekday(last)
		if from < 0 || until < 0 {
			return false
		}
		for d := from; ; d = (d + 1) % 7 {
			h.Days[d] = true
			if d == until {
				break
			}
		}
	}
	return true
}

func weekday(name string) int {
	for i, short := range weekdays {
		if len(name) >= 3 && strings.HasPrefix(name, short) && strings.HasPrefix(strings.ToLower(time.Weekday(i).String()), name) {
			return i
		}
	}
	return -1
}

// times reads "07:00-19:00", and "18:00-07:00" over midnight.
func (h *Hours) times(text string) bool {
	from, until, span := strings.Cut(text, "-")
	var ok bool
	if !span {
		return false
	}
	if h.From, ok = wallTime(from); !ok || h.From == aDay {
		return false
	}
	if h.Until, ok = wallTime(until); !ok {
		return false
	}
	if h.Until <= h.From {
		h.Until += aDay
	}
	return true
}

func wallTime(text string) (time.Duration, bool) {
	hours, minutes, _ := strings.Cut(text, ":")
	h, err1 := strconv.Atoi(hours)
	m, err2 := strconv.Atoi(minutes)
	at := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	return at, err1 == nil && err2 == nil && h >= 0 && m >= 0 && m < 60 && at <= aDay && len(minutes) == 2
}
