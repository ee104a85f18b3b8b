package turnover

import (
	"fmt"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// mostLeft is how many words without a meaning are listed.
const mostLeft = 10

// left lists the words that moved and were given no meaning: somebody with the
// manual at hand will want to know which they are.
func (g *guessing) left(p *Proposal) {
	var places []config.PlacedPoint
	for i := range p.Found {
		places = append(places, p.Found[i].Place)
		for _, other := range p.Found[i].Equal {
			places = append(places, other.Place)
		}
	}
	var moved []string
	for _, c := range g.cells {
		one := config.PlacedPoint{Table: c.Table, Address: c.Address}
		one.Encoding.Type = decode.Uint16
		known := false
		for _, place := range places {
			known = known || overlap(place, one)
		}
		if low, high := reach(g.survey.Held[c]); low < high && !known {
			moved = append(moved, fmt.Sprintf("%s %d (%d to %d)", c.Table, c.Address, low, high))
		}
	}
	if len(moved) == 0 {
		return
	}
	more := ""
	if over := len(moved) - mostLeft; over > 0 {
		moved, more = moved[:mostLeft], fmt.Sprintf(" and %d more", over)
	}
	p.unknown(fmt.Sprintf("These move too, and nothing here says what they are (rpm, power, another contact?); the manual may: %s%s.", strings.Join(moved, ", "), more))
}

// reach is the lowest and the highest of what an address held, as it came.
func reach(held []int) (low, high int) {
	low, high = -1, -1
	for _, word := range held {
		switch {
		case word < 0:
		case low < 0:
			low, high = word, word
		default:
			low, high = min(low, word), max(high, word)
		}
	}
	return low, high
}
