package rules

import (
	"time"

	"fanwarden/rules/condition"
)

// explained lists, for a condition, the causes that explain it, the farthest
// first.
//
//   - A gateway that does not answer explains that its fans do not; so does a
//     line on which no unit answers.
//   - A reading with the wrong sign explains a fan that its own controller
//     drives to its top or never starts.
//
// A dead gateway does not explain a fan that was pinned before it died: what
// was found on good readings keeps its state until there are new ones.
func explained(name condition.Name) [2]condition.Name {
	switch name {
	case condition.ControllerSilent:
		return [2]condition.Name{condition.GatewayDown, condition.LineSilent}
	case condition.StuckIdle, condition.PinnedAtMax:
		return [2]condition.Name{condition.InvertedSign}
	}
	return [2]condition.Name{}
}

// cause returns the condition that explains a fan's condition now, "" where
// none does.
func (f *fan) cause(name condition.Name) condition.Name {
	for _, cause := range explained(name) {
		if cause == "" {
			break
		}
		if f.gateway.active(cause) || f.active(cause) {
			return cause
		}
	}
	return ""
}

// settle brings what is told of a condition in line with what explains it. A
// condition that was silenced is raised anew once its evidence has stood for
// its hold again, counted from when the cause was cleared: the cause had
// spoilt the evidence.
func (e *Engine) settle(f *fan, j *judged, now time.Time) {
	l := &j.life
	cause := f.cause(l.name)
	switch {
	case cause != "":
		e.clear(f.source, l, now, condition.Silenced)
		l.silenced = cause
	case l.silenced != "":
		l.end()
		j.rule.forget()
	case !l.active:
		e.raise(f.source, l, now)
	}
}
