package poller_test

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// longWord is a 32-bit point, low word first.
func longWord(p reading.Point, unit, address int) config.PlacedPoint {
	placed := word(p, unit, address)
	placed.Encoding.Type, placed.Encoding.Order = decode.Uint32, decode.CDAB
	return placed
}

// The words of a fan come in the order of its points, whatever the order on the
// wire; what is written only has none.
func TestWordsBesideTheirValues(t *testing.T) {
	g := newGateway("tcp", "")
	g.MaxGap = 8
	one, two := newFan(g, 1, 0), newFan(g, 1, 10)
	contact := config.PlacedPoint{Point: reading.HighSpeed, Unit: 1, Table: decode.Discrete, Address: 3, Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}}
	one.Points = []config.PlacedPoint{word(reading.Speed, 1, 5), word(reading.ForceSpeed, 1, 7), longWord(reading.Energy, 1, 2), contact, word(reading.Pressure, 1, 1)}
	two.Points = append(two.Points, word(reading.RPM, 3, 9)) // in a unit that is silent
	f := &fake{answer: silentUnits(g.Timeout, 3), words: map[[2]int]uint16{{1, 2}: 0x5678, {1, 3}: 0x1234}}
	cycles, _ := watch(t, f, fleetOf(one, two), 20*time.Second)
	first := cycles[0]
	if got := fmt.Sprintf("%04x %04x", first.Words[0], first.Words[1]); got != "[0105 5678 1234 0001 0101] [010a 010b 0000]" {
		t.Errorf("%s", got)
	}
	if v, good := first.Readings[0].Get(reading.Energy); !good || v != 0x12345678 {
		t.Errorf("energy is %v", v)
	}
	if words := one.Raw(first.Words[0], reading.ForceSpeed); words != nil {
		t.Errorf("an output has the words %v", words)
	}
}
