package turnover

import (
	"strings"
	"testing"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// What moves and has no meaning is listed; what stands, does not answer or is part
// of a point is not.
func TestWhatIsLeftIsListed(t *testing.T) {
	held := map[Cell][]int{
		{decode.Input, 0}: {1, 2, 3}, {decode.Input, 1}: {7, 9, 8}, {decode.Input, 2}: {5, 5, 5}, {decode.Input, 3}: {-1, -1, -1},
		{decode.Input, 4}: {-1, 700, 650}, {decode.Discrete, 4}: {0, 1, 0},
	}
	for i := range 12 {
		held[Cell{decode.Holding, i}] = []int{i, i + 1, i}
	}
	g := newGuessing(&Survey{Held: held}, nil)
	p := &Proposal{Found: []Found{{Guess: Guess{Place: config.PlacedPoint{Table: decode.Input, Address: 0, Encoding: decode.Encoding{Type: decode.Float32}}}}}}
	g.left(p)
	if len(p.Unknown) != 1 {
		t.Fatalf("%q", p.Unknown)
	}
	for says, want := range map[string]bool{"input 4 (650 to 700)": true, "input 0 ": false, "input 1 ": false, "input 2 ": false, "input 3 ": false,
		"holding 0 (0 to 1)": true, "and 4 more": true} {
		if strings.Contains(p.Unknown[0], says) != want {
			t.Errorf("%q in %q: want %v", says, p.Unknown[0], want)
		}
	}
	p = &Proposal{}
	newGuessing(&Survey{Held: map[Cell][]int{{decode.Input, 2}: {5, 5}}}, nil).left(p)
	if len(p.Unknown) > 0 {
		t.Errorf("of what stands is said %q", p.Unknown)
	}
}
