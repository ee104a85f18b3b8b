package notify

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fanwarden/rules/condition"
)

// What a phone shows of a message while it is locked, in characters.
const lockScreen = 80

// faults are what a title says of each condition: short, and understood without
// the manual.
var faults = map[condition.Name]string{
	condition.GatewayDown:      "gateway does not answer",
	condition.LineSilent:       "no controller behind it answers",
	condition.DataNotMoving:    "gateway repeats old values",
	condition.ControllerSilent: "controller does not answer",
	condition.ControllerFault:  "controller reports a fault",
	condition.SensorFrozen:     "pressure reading is frozen",
	condition.SensorOutOfRange: "sensor is out of its range",
	condition.InvertedSign:     "pressure has the wrong sign",
	condition.SettingsChanged:  "settings were changed",
	condition.NoEffect:         "runs and moves nothing",
	condition.StuckIdle:        "stands still though it is needed",
	condition.PinnedAtMax:      "flat out and short of setpoint",
	condition.PinnedAtMin:      "at its lowest speed and above setpoint",
	condition.Hunting:          "hunts around its setpoint",
	condition.OffSetpoint:      "stays off its setpoint",
	condition.ContactDisagrees: "high-speed contact disagrees with speed",
	condition.ShortCycling:     "starts again and again",
	condition.OverrideLeftOn:   "override left on",
	condition.CreepingLoad:     "needs more speed week by week",
}

// fault says what is wrong, for a title.
func fault(name condition.Name) string {
	if words := faults[name]; words != "" {
		return words
	}
	return strings.ReplaceAll(string(name), "_", " ")
}

// title is place and fault. The place is shortened where it would push the
// fault off a locked screen.
func (a *About) title() string {
	what := fault(a.Condition)
	switch a.Change {
	case Returned:
		what = "over: " + what
	case Chattering:
		what = "comes and goes: " + what
	}
	room := lockScreen - len(what) - len(": ")
	building, of := a.Building.String(), a.of()
	if over := utf8.RuneCountInString(building+", "+of) - room; over > 0 {
		building = clip(building, max(utf8.RuneCountInString(building)-over, 12))
		of = clip(of, room-utf8.RuneCountInString(building)-2)
	}
	return building + ", " + of + ": " + what
}

// of is what the alarm is of.
func (a *About) of() string {
	if a.Fan != nil {
		return a.Fan.String()
	}
	return "gateway " + a.Gateway
}

// text is everything that somebody needs who has only this message.
func (a *About) text(in *time.Location) string {
	var w lines
	w.add(a.title())
	w.add("")
	was := a.Summary
	if a.Change == Returned && was != "" {
		was = "it was: " + was
	}
	w.some(sentence(was))
	w.add(a.times(in))
	w.some(a.where())
	w.add("")
	if a.Change != Returned {
		w.some(a.why())
		if a.FirstCheck != "" {
			w.add("First check: " + sentence(a.FirstCheck))
		}
		w.some(a.caution())
	}
	w.links(a)
	return w.String()
}

// lines is a text that grows line by line. No two empty lines follow each other.
type lines struct{ all []string }

func (l *lines) add(line string) {
	if line != "" || len(l.all) > 0 && l.all[len(l.all)-1] != "" {
		l.all = append(l.all, line)
	}
}

func (l *lines) some(line string) {
	if line != "" {
		l.add(line)
	}
}

func (l *lines) links(a *About) {
	l.add("")
	if a.Link != "" {
		l.add("Now: " + a.Link)
	}
	if a.Runbook != "" {
		l.add("What to do: " + a.Runbook)
	}
}

func (l *lines) String() string { return strings.TrimRight(strings.Join(l.all, "\n"), "\n") + "\n" }

// times says since when, and until when.
func (a *About) times(in *time.Location) string {
	const day = "Mon 2 Jan 15:04 MST"
	since := "Raised " + a.Raised.In(in).Format(day)
	if a.Raised.Sub(a.Since) > time.Minute {
		since += ", first " + a.Since.In(in).Format(day)
	}
	since += ", a " + a.Severity
	if a.Change == Returned && a.Cleared != nil {
		over := "Over "
		if a.Reason == condition.Silenced {
			over = "Explained by another alarm "
		}
		return over + a.Cleared.In(in).Format(day) + ". " + since + "."
	}
	return since + "."
}

// where says which fan it is, what it serves and where it stands.
func (a *About) where() string {
	var parts []string
	if a.Fan != nil {
		parts = append(parts, "Fan "+a.Fan.ID+" behind "+a.Gateway)
	}
	if a.Serves != "" {
		parts = append(parts, "serves "+a.Serves)
	}
	if a.Location != "" {
		parts = append(parts, "stands "+a.Location)
	}
	if len(parts) == 0 {
		return ""
	}
	return sentence(strings.Join(parts, ", "))
}

// why says how sure the finding's causes are, and on what they rest.
func (a *About) why() string {
	if len(a.Causes) == 0 {
		return ""
	}
	first := a.Causes[0]
	text := "The readings do not tell these apart: " + first.What
	if first.Speaks != "" {
		text = "Most likely: " + first.What + ", because " + first.Speaks
	}
	for _, c := range a.Causes[1:min(len(a.Causes), 3)] {
		text += ". Or: " + c.What
		if c.Speaks != "" {
			text += ", because " + c.Speaks
		}
	}
	return sentence(text)
}

// caution is what nobody may forget at a fan.
func (a *About) caution() string {
	switch {
	case a.LifeSafety:
		return "Life-safety fan: those who answer for it come first. A fan that stands can start by itself; lock it out before you open anything."
	case a.Fan != nil:
		return "A fan that stands can start by itself; lock it out before you open anything."
	}
	return ""
}

// sentence begins with a capital and ends with a stop.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

// counted writes a number of things.
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
