package rules

import (
	"encoding/binary"
	"fmt"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
	"fanwarden/rules/internal/plain"
)

// What the engine remembers of a fan or a gateway can be kept outside and
// recalled by another engine, so that a daemon that is started anew goes on
// where it was: holds that were running go on (the time between counts as a
// gap), what stood still stands and is not raised a second time.
//
// The bytes are for this program alone. What another version remembered in
// another shape is left out, fan by fan and rule by rule: it begins anew.

// shapes are those of what is remembered, so that they are found once and not
// with every fan.
type shapes struct {
	fan, gateway uint64
	rules        []uint64 // in the order of newRules
}

func shapesNow() *shapes {
	s := &shapes{fan: plain.Shape(&fan{}), gateway: plain.Shape(&gateway{})}
	for _, j := range newRules() {
		s.rules = append(s.rules, plain.Shape(j.rule)^plain.Shape(&j))
	}
	return s
}

// shape returns the shapes of what the engine remembers.
func (e *Engine) shape() *shapes {
	if e.shapes == nil {
		e.shapes = shapesNow()
	}
	return e.shapes
}

// AppendFan adds what is remembered of a fan to data; nothing for a fan that
// is not in the fleet.
func (e *Engine) AppendFan(data []byte, id reading.FanID) []byte {
	f := e.fans[id]
	if f == nil {
		return data
	}
	data = binary.LittleEndian.AppendUint64(data, e.shape().fan)
	data = plain.Append(data, f)
	var own []byte
	for i := range f.rules {
		j := &f.rules[i]
		own = binary.LittleEndian.AppendUint64(own[:0], e.shape().rules[i])
		own = plain.Append(plain.Append(own, j), j.rule)
		data = appendText(data, string(j.life.name))
		data = appendText(data, string(own))
	}
	return data
}

// RecallFan makes a fan what [Engine.AppendFan] wrote of it. It is for an engine
// that has not seen the fan yet, and for a fan of its fleet. After an error the
// fan is as it was.
func (e *Engine) RecallFan(id reading.FanID, data []byte) error {
	f := e.fans[id]
	if f == nil {
		return fmt.Errorf("fan %q is not in the fleet", id)
	}
	was := &fan{rules: newRules()}
	data, err := recall(data, e.shape().fan, was)
	if err != nil {
		return fmt.Errorf("what was kept of fan %q: %w", id, err)
	}
	for len(data) > 0 {
		var name, own string
		if name, data, err = cutText(data); err == nil {
			own, data, err = cutText(data)
		}
		if err != nil {
			return fmt.Errorf("what was kept of fan %q: %w", id, err)
		}
		was.recallRule(condition.Name(name), []byte(own), e.shape())
	}
	was.partners, was.neighbours, was.heard = f.partners, f.neighbours, neverPolled
	cfg, gateway := f.cfg, f.gateway
	*f = *was
	f.configure(cfg, e.fleet, gateway)
	for i := range f.rules {
		if j := &f.rules[i]; !j.life.setting.Enabled {
			j.life.end()
			j.rule.forget()
		}
	}
	return nil
}

// recallRule recalls one rule of a fan. One that is not of its shape begins
// anew.
func (f *fan) recallRule(name condition.Name, data []byte, of *shapes) {
	for i := range f.rules {
		j := &f.rules[i]
		if j.life.name != name {
			continue
		}
		rest, err := recall(data, of.rules[i], j)
		if err == nil {
			rest, err = plain.Read(rest, j.rule)
		}
		if err != nil || len(rest) > 0 {
			*j = newRules()[i]
		}
	}
}

// AppendGateway adds what is remembered of a gateway to data; nothing for one
// that is not in the fleet.
func (e *Engine) AppendGateway(data []byte, id reading.GatewayID) []byte {
	g := e.gateways[id]
	if g == nil {
		return data
	}
	return plain.Append(binary.LittleEndian.AppendUint64(data, e.shape().gateway), g)
}

// RecallGateway makes a gateway what [Engine.AppendGateway] wrote of it, like
// [Engine.RecallFan].
func (e *Engine) RecallGateway(id reading.GatewayID, data []byte) error {
	g := e.gateways[id]
	if g == nil {
		return fmt.Errorf("gateway %q is not in the fleet", id)
	}
	was := newGateway()
	if _, err := recall(data, e.shape().gateway, was); err != nil {
		return fmt.Errorf("what was kept of gateway %q: %w", id, err)
	}
	was.polled, was.proving, was.answers = 0, 0, 0
	was.fans = g.fans
	cfg := g.cfg
	*g = *was
	g.configure(cfg, e.fleet)
	for _, rule := range g.rules() {
		if !rule.life.setting.Enabled {
			rule.life.end()
		}
	}
	return nil
}

// recall fills the value that v points to from data that begin with its shape.
func recall(data []byte, want uint64, v any) (rest []byte, err error) {
	if len(data) < 8 {
		return nil, plain.ErrShort
	}
	if binary.LittleEndian.Uint64(data) != want {
		return nil, fmt.Errorf("it is of another version of the program")
	}
	return plain.Read(data[8:], v)
}

func appendText(data []byte, text string) []byte {
	return append(binary.AppendUvarint(data, uint64(len(text))), text...)
}

func cutText(data []byte) (text string, rest []byte, err error) {
	n, width := binary.Uvarint(data)
	if width <= 0 || n > uint64(len(data)-width) {
		return "", nil, plain.ErrShort
	}
	data = data[width:]
	return string(data[:n]), data[n:], nil
}
