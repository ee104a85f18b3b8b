package turnover

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Block writes the proposal as a block of a fleet file, with its reasons and what
// must still be verified as comments. Where the proposal is not whole, it is
// comments only.
func (p *Proposal) Block(name string) string {
	var b strings.Builder
	if p.Whole() {
		fmt.Fprintf(&b, "[pointmaps.%s]\nprotocol = \"modbus\"\n", name)
	}
	for i := range p.Found {
		f := &p.Found[i]
		b.WriteString("\n")
		comment(&b, fmt.Sprintf("%s reads %s: %s.", f.Place.Point, p.say(f.Guess), strings.Join(f.Reasons, "; ")))
		for _, other := range f.Equal {
			comment(&b, fmt.Sprintf("NOT DECIDED: fits as well in %s (it would read %s).", lies(other.Place), p.say(other)))
		}
		if f.Proven != nil {
			comment(&b, fmt.Sprintf("Proof on these looks: %s, %s.", f.Proven.Verdict, f.Proven.Reason))
		}
		fmt.Fprintf(&b, "[pointmaps.%s.points.%s]\n%s", name, f.Place.Point, toml(f.Place))
	}
	if len(p.Unknown) > 0 {
		b.WriteString("\n# Not known:\n")
		for _, says := range p.Unknown {
			comment(&b, "- "+says)
		}
	}
	if p.Whole() {
		b.WriteString(stillToVerify)
	}
	return b.String()
}

const stillToVerify = `
# A guess, and no proof. Before anybody relies on it:
# - compare each value with what the controller itself shows, at values that are not symmetric: 12.3 tells
#   more than 10, and 0 or 1 tell nearly nothing;
# - open both tubes of the probe to the room: the pressure must read about zero;
# - put a known pressure on the probe: its size and its sign must come out right;
# - let the fan run slow and fast: speed and contact must follow.
`

// comment writes a sentence as lines of comment. Devices call themselves as they
// like: what is no character that can be seen is left out, since no fleet file may
// have it.
func comment(b *strings.Builder, text string) {
	text = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, text)
	line := "#"
	for _, word := range strings.Fields(text) {
		if len(line)+1+len(word) > 118 {
			b.WriteString(line + "\n")
			line = "#  "
		}
		line += " " + word
	}
	b.WriteString(line + "\n")
}

// say writes what a guess read last.
func (p *Proposal) say(g Guess) string {
	point := g.Place.Point
	if point.Contact() {
		return map[bool]string{true: "closed", false: "open"}[g.last() != 0]
	}
	of := point.Dimension()
	if g.Place.Encoding.Unit.Dimension == units.Flow {
		of = units.Flow
	}
	return p.units.Format(g.last(), of)
}

// lies writes where and how a guess lies.
func lies(p config.PlacedPoint) string {
	e := p.Encoding
	switch {
	case p.Table.Bits() || e.Bit != decode.NoBit:
		return name(p)
	case e.Type.Words() == 2:
		return fmt.Sprintf("%s, %s %s, %.6g %s a count", name(p), e.Type, e.Order, e.Scale, e.Unit.Name)
	}
	return fmt.Sprintf("%s, %s, %.6g %s a count", name(p), e.Type, e.Scale, e.Unit.Name)
}

// toml writes a place with the keys of a point map.
func toml(p config.PlacedPoint) string {
	e := p.Encoding
	text := fmt.Sprintf("table = %q\naddress = %d\n", p.Table, p.Address)
	switch {
	case p.Table.Bits():
	case e.Bit != decode.NoBit:
		text += fmt.Sprintf("bit = %d\n", e.Bit)
	default:
		text += fmt.Sprintf("type = %q\n", e.Type)
		if e.Type.Words() == 2 {
			text += fmt.Sprintf("order = %q\n", e.Order)
		}
		text += fmt.Sprintf("scale = %s\nunit = %q\n", strconv.FormatFloat(e.Scale, 'g', -1, 64), e.Unit.Name)
	}
	if e.Invert {
		text += "invert = true\n"
	}
	return text
}

// prove tries the proposal on the very looks that it was made from: what they
// contradict must not be printed as if it fitted.
func (p *Proposal) prove() {
	if p.fan == nil {
		return
	}
	fan := *p.fan
	fan.Points = nil
	for _, f := range p.Found {
		fan.Points = append(fan.Points, f.Place)
	}
	proofs := Prove(&config.Fleet{Units: p.units}, []*config.Fan{&fan}, map[reading.FanID][]Look{fan.ID: p.survey.Looks(&fan)})[0].Proofs
	for i := range p.Found {
		p.Found[i].Proven = &proofs[i]
	}
}

// Looks are what a survey found at the points of a fan.
func (s *Survey) Looks(fan *config.Fan) []Look {
	g := guessing{survey: s}
	looks := make([]Look, len(s.Times))
	for k, at := range s.Times {
		looks[k].Time = at
		for _, place := range Points(fan) {
			a := Answer{Words: g.words(place, k)}
			if a.Words == nil {
				a.Failure = &reading.Failure{Outcome: reading.Timeout, Err: fmt.Errorf("no answer")}
			}
			looks[k].Answers = append(looks[k].Answers, a)
		}
	}
	return looks
}
