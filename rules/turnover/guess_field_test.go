package turnover

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// fieldSurvey reads a fan of the simulated field for half a minute.
func fieldSurvey(w *field.Field, fan *config.Fan) *Survey {
	s := &Survey{Held: make(map[Cell][]int)}
	for range 31 {
		words := make(map[Cell]uint16)
		for _, p := range fan.Points {
			v, _ := w.Value(fan.ID, p.Point)
			for i, word := range p.Encoding.Encode(v)[:p.Words()] {
				words[Cell{p.Table, p.Address + i}] |= word
			}
		}
		for _, table := range []decode.Table{decode.Discrete, decode.Holding, decode.Input} {
			for a := range 24 {
				s.Held[Cell{table, a}] = append(s.Held[Cell{table, a}], int(words[Cell{table, a}]))
			}
		}
		s.Times = append(s.Times, w.Now())
		w.Step(time.Second)
	}
	return s
}

// TestGuessesInTheField: over an evening of simulated fans, whatever they do and
// however their controllers keep it, what is proposed is right or said not to be
// decided, but for a few in a hundred; and where a fan's speed moves it is found.
func TestGuessesInTheField(t *testing.T) {
	proposed, wrong, moving, missed, second := 0, 0, 0, 0, 0
	for i, l := range layouts {
		f := fleet(t, eight(l))
		w := field.New(f, uint64(7+i), time.Date(2026, 1, 5, 17, 0, 0, 0, time.UTC))
		for range 2 {
			w.Step(time.Hour)
			for _, fan := range f.Fans {
				s := fieldSurvey(w, fan)
				p := Likely(s, fan, units.Metric)
				speed, _ := fan.Placed(reading.Speed)
				moves := kinds((&guessing{survey: s}).values(speed)) > 10
				if moves {
					moving++
				}
				if !p.Whole() {
					if moves {
						missed++
					}
					continue
				}
				proposed++
				for _, found := range p.Found[:2] {
					right, _ := fan.Placed(found.Place.Point)
					switch {
					case agrees(s, Found{Guess: found.Guess}, right):
					case agrees(s, found, right):
						second++
					default:
						wrong++
						t.Logf("%s: %s is not at %s:\n%s", l.name, found.Place.Point, lies(right), p.Block("m"))
					}
				}
			}
		}
	}
	t.Logf("%d proposed of %d; of their two points %d are wrong and %d are right in what fits as well; %d moved, %d of them not found",
		proposed, 16*len(layouts), wrong, second, moving, missed)
	if wrong*40 > proposed || missed*10 > moving || moving < 20 {
		t.Errorf("%d proposed, %d wrong, %d moving, %d missed", proposed, wrong, moving, missed)
	}
}

// eight is a fleet file with eight fans of a layout.
func eight(l layout) string {
	head, fan, _ := strings.Cut(l.text("[pointmaps.m]\n"+l.block), "[[fans]]")
	for i := 1; i <= 8; i++ {
		one := strings.Replace(fan, `"ef1"`, fmt.Sprintf("\"ef%d\"", i), 1)
		head += "[[fans]]" + strings.Replace(one, "unit = 1", fmt.Sprintf("unit = %d", i), 1)
	}
	return head
}
