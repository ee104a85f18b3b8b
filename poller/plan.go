package poller

import (
	"cmp"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// The most that one request may read (Modbus Application Protocol V1.1b3,
// sections 6.1 to 6.4).
const (
	maxRegisters = 125
	maxBits      = 2000
	addresses    = 65536 // in each table
)

// bitsARegister turns a gateway's max_gap and max_registers, which speak of
// registers, into the same amount of data in a table of bits.
const bitsARegister = 16

// Plan is how the points of a gateway's fans are read: the requests of one
// cycle, in order.
type Plan struct {
	Gateway  *config.Gateway
	Fans     []*config.Fan // of this gateway, in the order of the fleet file
	Requests []Request     // unit by unit; see PlanGateway
	words    int           // of all points of its fans together
}

// Request reads one run of registers or bits of one unit.
type Request struct {
	Unit    int
	Table   decode.Table
	Address int
	Count   int // registers, or bits in a table of bits
	slots   []slot
	narrow  bool // the device has refused unused registers behind it
}

// everyFan is the fan of a slot that is the gateway's own: its value goes to
// every fan that has no such point itself.
const everyFan = -1

// slot is one value inside a request.
type slot struct {
	fan                 int  // index into Plan.Fans, or everyFan
	*config.PlacedPoint      // the fan's, or the gateway's: a copy would be as large as all else here
	shared              bool // another fan's value lies in the same registers
	at                  int  // of its first word among all of the gateway's fans, in the order of their points
}

// PlanGateway lays out the requests of one cycle over the fans of a gateway;
// fans of other gateways are left out. The plan of a BACnet gateway has no requests. Points are merged, across fans that
// share a unit, into the fewest requests that keep to the protocol's limits and
// to the gateway's max_registers and max_gap (for bits, both times 16). A
// 32-bit value is never split. Outputs are not read.
//
// A unit's requests come by table and address, except where answers have no
// number: there no two in a row have answers of the same shape, as far as that
// can be had.
func PlanGateway(gateway *config.Gateway, fans []*config.Fan) *Plan {
	plan := &Plan{Gateway: gateway}
	for _, fan := range fans {
		if fan.Gateway.ID == gateway.ID {
			plan.Fans = append(plan.Fans, fan)
		}
	}
	slots := plan.slots()
	for i := range slots {
		if s := &slots[i]; s.fan != everyFan {
			plan.words += s.Words()
		}
	}
	if gateway.BACnet() {
		return plan // its devices say how much they take at once
	}
	slices.SortStableFunc(slots, func(a, b slot) int {
		return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Table, b.Table), cmp.Compare(a.Address, b.Address))
	})
	markShared(slots)
	for _, s := range slots {
		if last := len(plan.Requests) - 1; last >= 0 && plan.Requests[last].take(s, gateway) {
			continue
		}
		plan.Requests = append(plan.Requests, newRequest(s))
	}
	if numberless(gateway) {
		plan.vary()
	}
	return plan
}

// vary orders the requests of each unit for a transport without numbers.
func (p *Plan) vary() {
	var ordered []Request
	for rest := p.Requests; len(rest) > 0; {
		end := 1
		for end < len(rest) && rest[end].Unit == rest[0].Unit {
			end++
		}
		ordered = append(ordered, vary(rest[:end])...)
		rest = rest[end:]
	}
	p.Requests = ordered
}

// slots lists everything that has to be read.
func (p *Plan) slots() []slot {
	var slots []slot
	at := 0
	for i, fan := range p.Fans {
		for k := range fan.Points {
			placed := &fan.Points[k]
			if !placed.Point.Output() {
				slots = append(slots, slot{fan: i, PlacedPoint: placed, at: at})
				at += placed.Words()
			}
		}
	}
	if len(p.Fans) == 0 {
		return slots
	}
	for k := range p.Gateway.Points {
		placed := &p.Gateway.Points[k]
		if !placed.Point.Output() {
			slots = append(slots, slot{fan: everyFan, PlacedPoint: placed})
		}
	}
	return slots
}

// markShared finds the values in places that more than one fan reads, among
// slots that come by rising address: those whose registers lie over each other,
// be it in part only.
func markShared(slots []slot) {
	for begin, end := 0, 0; begin < len(slots); begin = end {
		first, reach, several := slots[begin], 0, false
		for end < len(slots) {
			s := slots[end]
			if s.Unit != first.Unit || s.Table != first.Table || end > begin && s.Address >= reach {
				break
			}
			reach, several = max(reach, s.Address+s.Words()), several || s.fan != first.fan
			end++
		}
		for i := begin; i < end; i++ {
			slots[i].shared = several
		}
	}
}

func newRequest(s slot) Request {
	return Request{Unit: s.Unit, Table: s.Table, Address: s.Address, Count: s.Words(), slots: []slot{s}}
}

// take adds a slot to the request if it lies near enough and the limits allow.
// Slots come by rising address.
func (r *Request) take(s slot, gateway *config.Gateway) bool {
	if s.Unit != r.Unit || s.Table != r.Table {
		return false
	}
	gap, most := gateway.MaxGap, limit(gateway)
	if s.Table.Bits() {
		gap, most = gap*bitsARegister, min(maxBits, most*bitsARegister)
	}
	count := max(r.Count, s.Address+s.Words()-r.Address)
	inside := count == r.Count // also where one 32-bit value is more than max_registers allows
	if !inside && (s.Address-(r.Address+r.Count) > gap || count > most) {
		return false
	}
	r.Count = count
	r.slots = append(r.slots, s)
	return true
}

// limit is the most registers that one request to the gateway may read.
func limit(gateway *config.Gateway) int {
	if gateway.MaxRegisters > 0 {
		return min(maxRegisters, gateway.MaxRegisters)
	}
	return maxRegisters
}

// Points returns how many values the request brings, of all its fans.
func (r *Request) Points() int { return len(r.slots) }

// bytes returns how many bytes of data the answer has.
func (r *Request) bytes() int {
	if r.Table.Bits() {
		return (r.Count + 7) / 8
	}
	return 2 * r.Count
}

// essential reports whether a fan cannot be judged without the point.
func essential(fan *config.Fan, p reading.Point) bool {
	return p == reading.Speed || p == fan.Controlled() || (fan.ControlsAirflow && p == reading.VelocityPressure)
}
