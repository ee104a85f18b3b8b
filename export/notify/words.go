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
		what = a.ended() + what
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

// ended begins a title that tells that an alarm stands no more. Only what has
// recovered is over: what is explained by another, or not judged, may last.
func (a *About) ended() string {
	switch a.Reason {
	case condition.Silenced:
		return "explained: "
	case condition.Disarmed:
		return "not judged: "
	}
	return "over: "
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
		w.some(caution(a))
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
		at := a.Cleared.In(in).Format(day)
		over := "Over " + at
		switch a.Reason {
		case condition.Silenced:
			over = "Explained by another alarm since " + at
			if a.Suppressed != "" {
				over += ": " + fault(a.Suppressed)
			}
		case condition.Disarmed:
			over = "Not judged since " + at + ", so it may still last: the fan is out of service or no longer in the fleet file, or its rule is off"
		}
		return over + ". " + since + "."
	}
	return since + "."
}

// where says which fan it is, what it serves and where it stands.
func (a *About) where() string {
	var parts []string
	if a.Fan != nil {
		parts = append(parts, "Fan "+a.Fan.ID+" behind "+a.Gateway+".")
	}
	if a.Serves != "" {
		parts = append(parts, sentence("serves "+a.Serves))
	}
	if a.Location != "" { // in the site's own words, which need not fit into a sentence
		parts = append(parts, sentence("where: "+a.Location))
	}
	return strings.Join(parts, " ")
}

// why says how sure the finding's causes are, and on what they rest.
func (a *About) why() string {
	if len(a.Causes) == 0 {
		return ""
	}
	first := a.Causes[0]
	text := "The readings do not tell these apart: " + first.What
	switch {
	case first.Speaks != "":
		text = "Most likely: " + first.What + ", because " + first.Speaks
	case len(a.Causes) == 1:
		text = "Possibly: " + first.What
	}
	for _, c := range a.Causes[1:min(len(a.Causes), 3)] {
		text += ". Or: " + c.What
		if c.Speaks != "" {
			text += ", because " + c.Speaks
		}
	}
	return sentence(text)
}

// lockOut is what nobody may forget at a fan.
const lockOut = "A stopped fan can start by itself: lock it out before you open anything."

// caution is what nobody may forget who goes to one of some fans.
func caution(all ...*About) string {
	text := ""
	for _, a := range all {
		switch {
		case a.LifeSafety && len(all) == 1:
			return "Life-safety fan: call those who answer for it first. " + lockOut
		case a.LifeSafety:
			return "Life-safety fan among them, " + a.Building.String() + ", " + a.of() + ": call those who answer for it first. " + lockOut
		case a.Fan != nil:
			text = lockOut
		}
	}
	return text
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
