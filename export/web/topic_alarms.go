package web

import (
	"bytes"
	"encoding/json"

	"fanwarden/rules/alarm"
)

// alarmsTopic tells of the alarms that somebody has yet to see to, or that are
// put aside, and once more of each that is no longer one of them.
type alarmsTopic struct {
	ledger *ledger
	told   map[alarm.ID][]byte // what was told last of each that is open
}

type alarmsMessage struct {
	Full   bool              `json:"full,omitempty"`
	Alarms []json.RawMessage `json:"alarms"`
}

func (t *alarmsTopic) next(p *picture) message {
	if t.ledger == p.ledger {
		return message{}
	}
	m := alarmsMessage{Full: t.ledger == nil, Alarms: []json.RawMessage{}}
	if t.ledger = p.ledger; m.Full {
		t.told = make(map[alarm.ID][]byte)
	}
	for i := range p.ledger.alarms {
		if text := t.tell(&p.ledger.alarms[i]); text != nil {
			m.Alarms = append(m.Alarms, text)
		}
	}
	if !m.Full && len(m.Alarms) == 0 {
		return message{}
	}
	return message{"alarms", encoded(m)}
}

// tell returns what is to be told of an alarm, or nil.
func (t *alarmsTopic) tell(n *noted) []byte {
	before, told := t.told[n.alarm.ID]
	switch {
	case n.open && bytes.Equal(before, n.text):
		return nil
	case n.open:
		t.told[n.alarm.ID] = n.text
		return n.text
	case told:
		delete(t.told, n.alarm.ID)
		return encoded(describeAlarm(&n.alarm, t.ledger.called))
	}
	return nil
}
