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

// TestGuessesInTheField: over an evening of simulated fans, whatever they do, what
// is proposed is right or said not to be decided, but for a few in a hundred; and
// where a fan moves it is found.
func TestGuessesInTheField(t *testing.T) {
	text := layouts[0].text("[pointmaps.m]\n" + layouts[0].block)
	head, fan, _ := strings.Cut(text, "[[fans]]")
	for i := 1; i <= 8; i++ {
		head += "[[fans]]" + strings.Replace(strings.Replace(fan, `"ef1"`, fmt.Sprintf("\"ef%d\"", i), 1), "unit = 1", fmt.Sprintf("unit = %d", i), 1)
	}
	f := fleet(t, head)
	w := field.New(f, 5, time.Date(2026, 1, 5, 17, 0, 0, 0, time.UTC))
	proposed, wrong, moving, missed, second := 0, 0, 0, 0, 0
	for range 6 {
		w.Step(20 * time.Minute)
		for _, fan := range f.Fans {
			s := fieldSurvey(w, fan)
			p := Likely(s, fan, units.Metric)
			speed, _ := fan.Placed(reading.Speed)
			moves := changes((&guessing{survey: s}).values(speed)) > 5
			if moves {
				moving++
			}
			if !p.Whole() {
				if moves {
					missed++
					t.Logf("not found at speeds of %v:\n%s", (&guessing{survey: s}).values(speed), p.Block("m"))
				}
				continue
			}
			proposed++
			for _, found := range p.Found[:2] {
				if right, _ := fan.Placed(found.Place.Point); !agrees(s, Found{Guess: found.Guess}, right) {
					second++
				}
				if right, _ := fan.Placed(found.Place.Point); !agrees(s, found, right) {
					wrong++
					t.Logf("%s is not at %s:\n%s", found.Place.Point, lies(right), p.Block("m"))
				}
			}
		}
	}
	t.Logf("%d proposed of 48, %d wrong; %d moved, %d of them not found; %d are right in what fits as well", proposed, wrong, moving, missed, second-wrong)
	if wrong*20 > proposed || missed*10 > moving || moving == 0 {
		t.Errorf("%d proposed, %d wrong, %d moving, %d missed", proposed, wrong, moving, missed)
	}
}
