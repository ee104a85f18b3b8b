package web

import (
	"fmt"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// handled is what people did with what stands, for the page.
type handled struct {
	alarms map[alarmOf]string
	out    map[reading.FanID]string
}

// alarmOf is what an alarm is of.
type alarmOf struct {
	gateway reading.GatewayID
	fan     reading.FanID
	name    condition.Name
}

// handledBy asks the desk what people did, where there is one.
func (v *view) handledBy(d Desk) {
	v.handled = handled{make(map[alarmOf]string), make(map[reading.FanID]string)}
	if d == nil {
		return
	}
	for _, a := range d.Alarms() {
		if text := v.handling(&a); text != "" && a.State.Active() {
			v.handled.alarms[alarmOf{a.Gateway, a.Fan, a.Condition}] = text
		}
	}
	for fan, act := range d.Out() {
		v.handled.out[fan] = fmt.Sprintf("out of service since %s, by %s: %s", v.clock(act.Time), clean(act.Who), clean(act.Why))
	}
}

// handling says who saw to an alarm, and how; "" where nobody did.
func (v *view) handling(a *alarm.Alarm) string {
	if s := a.Shelf; s != nil {
		return fmt.Sprintf("Shelved until %s by %s: %s", v.clock(s.Until), clean(s.Who), clean(s.Why))
	}
	if k := a.Acknowledgement; k != nil {
		text := fmt.Sprintf("Acknowledged %s by %s", v.clock(k.Time), clean(k.Who))
		if k.Why != "" {
			text += ": " + clean(k.Why)
		}
		return text
	}
	return ""
}

// handledTogether says of the members of an incident what they have in common.
func handledTogether(each []string) string {
	n := 0
	for _, text := range each {
		if text != "" {
			n++
		}
	}
	switch {
	case n == 0:
		return ""
	case n < len(each):
		return fmt.Sprintf("%d of %d acknowledged or shelved", n, len(each))
	}
	return each[0]
}
