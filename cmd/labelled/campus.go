package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// settings of a run.
type settings struct {
	seed  uint64
	hours int
	fans  int           // plain healthy ones, beside the labelled
	weeks int           // 0: a run of hours
	poll  time.Duration // of a run of weeks
}

// tick is the time between two looks at the field; polls are multiples of it.
const tick = 5 * time.Second

// perGateway is how many fans share a gateway.
const perGateway = 8

// campus is one run before it runs: fleet, truth, and what happens to readings.
type campus struct {
	settings
	tick   time.Duration
	text   string
	fleet  *config.Fleet
	start  time.Time
	labels []*label
	faults []field.Fault
	shared []field.Fault // of these, what is no fault
	ways   map[reading.FanID]way
	notes  map[reading.FanID]*notes
	flows  map[reading.FanID]bool // fans that hold an airflow
}

// newCampus lays out the run of a seed: gateways of eight fans for what happens
// to fans, and gateways of three for what happens to gateways. Runs begin at
// midnight of days over the whole year.
func newCampus(s settings) (*campus, error) {
	if s.weeks > 0 {
		return newWeeks(s)
	}
	rnd := rand.New(rand.NewPCG(s.seed, 0x6c61626c))
	c := bare(s)
	var text strings.Builder
	text.WriteString(head())
	scenes := fanScenes()
	for range s.fans {
		scenes = append(scenes, scene{note: "plain"})
	}
	gateways := 0
	gateway := func() string {
		gateways++
		id := fmt.Sprintf("gw%02d", gateways)
		text.WriteString(gatewayText(id, 15000+gateways, []int{5, 5, 10, 30}[rnd.IntN(4)]))
		return id
	}
	var at string
	for i, scene := range scenes {
		if i%perGateway == 0 {
			at = gateway()
		}
		text.WriteString(c.add(rnd, scene, at, fmt.Sprintf("ef%02d", i+1), i%perGateway+1))
	}
	for _, group := range groupScenes() {
		at := gateway()
		for _, part := range c.addGroup(rnd, group, at) {
			text.WriteString(part)
		}
	}
	for _, scene := range gatewayScenes() {
		text.WriteString(c.addGateway(rnd, scene, gateway()))
	}
	return c, c.finish(text.String())
}

// bare is a campus without anything yet.
func bare(s settings) *campus {
	return &campus{settings: s, tick: tick, ways: make(map[reading.FanID]way), notes: make(map[reading.FanID]*notes),
		flows: make(map[reading.FanID]bool), start: time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(s.seed)*67%365)}
}

// finish reads the fleet file of a campus that is laid out.
func (c *campus) finish(text string) error {
	c.text = text
	var err error
	if c.fleet, err = parseFleet(c.text); err != nil {
		return err
	}
	for _, f := range c.fleet.Fans {
		c.flows[f.ID] = f.ControlsAirflow
		c.notes[f.ID] = newNotes(f)
	}
	for _, l := range c.labels {
		if l.fan != "" {
			l.holds = c.notes[l.fan].holds
		}
	}
	return nil
}

// end is when the run ends.
func (c *campus) end() time.Time { return c.start.Add(time.Duration(c.hours) * time.Hour) }

// add lays out one fan with its scene and returns its part of the fleet file.
func (c *campus) add(rnd *rand.Rand, s scene, gateway, id string, unit int) string {
	return c.addFan(rnd, s, ordinary(rnd), gateway, id, unit)
}

func (c *campus) addFan(rnd *rand.Rand, s scene, f fanText, gateway, id string, unit int) string {
	if s.fan != nil {
		s.fan(&f)
	}
	f.id, f.gateway, f.unit = id, gateway, unit
	c.ways[reading.FanID(id)] = s.way
	c.put(rnd, s, label{fan: reading.FanID(id)})
	return f.String()
}

// addGroup lays out fans that have something in common behind a gateway of
// their own: a riser, or the time at which their troubles come.
func (c *campus) addGroup(rnd *rand.Rand, g group, gateway string) (texts []string) {
	riser := ordinary(rnd)
	riser.idle = false
	from := time.Duration((0.1 + 0.4*rnd.Float64()) * float64(time.Duration(c.hours)*time.Hour)).Truncate(time.Second)
	for i, s := range g.scenes {
		f := ordinary(rnd)
		if g.riser {
			f = riser
			f.group = gateway
		}
		if g.lasts > 0 && s.kind != "" {
			s.from, s.lasts = from, g.lasts
		}
		s.note = g.note + s.note
		texts = append(texts, c.addFan(rnd, s, f, gateway, fmt.Sprintf("%s-ef%d", gateway, i+1), i+1))
	}
	if g.riser {
		share(c.labels[len(c.labels)-len(g.scenes):])
	}
	return texts
}

// share tells each label of a riser's fans of the others.
func share(labels []*label) {
	for _, l := range labels {
		for _, other := range labels {
			if other != l {
				l.sharers = append(l.sharers, other.fan)
			}
		}
	}
}

// addGateway lays out the fans behind a gateway that gets a scene, all healthy,
// and returns their part of the fleet file. One that shows zeros for what it has
// lost has lost its first unit.
func (c *campus) addGateway(rnd *rand.Rand, s scene, id string) string {
	own := c.put(rnd, s, label{gateway: reading.GatewayID(id)})
	var text strings.Builder
	for unit := 1; unit <= 3; unit++ {
		f := ordinary(rnd)
		f.id, f.gateway, f.unit = fmt.Sprintf("%s-ef%d", id, unit), id, unit
		l := &label{fan: reading.FanID(f.id), note: fmt.Sprintf("behind %s with its %s", id, s.kind)}
		if s.kind == field.ZeroFills {
			f.pointmap = "zeroed"
			if unit == 1 {
				l.kind, l.onset, l.until, l.want = s.kind, own.onset, own.until, own.want
				own.want = ""
				c.faults = append(c.faults, field.Fault{Fan: l.fan, Kind: field.SilentUnit, From: l.onset, Until: l.until})
			}
		}
		text.WriteString(f.String())
		c.labels = append(c.labels, l)
	}
	return text.String()
}

// put gives a sample its trouble, at a random time of the first half or so of
// the run, and its label. One trouble in three ends before the run does.
func (c *campus) put(rnd *rand.Rand, s scene, l label) *label {
	if s.hour >= c.hours {
		s = scene{note: s.note + ", which would come after the run"}
	}
	l.kind, l.note = s.kind, s.note
	if s.kind != "" {
		l.onset, l.until = c.span(rnd, s)
		if !s.harmless {
			e := expected(s.kind)
			l.want, l.instead, l.also = e.want, e.instead, e.also
		}
		if s.want != "" {
			l.want, l.also = s.want, append(l.also, l.want)
		}
		c.strike(rnd, s, &l)
	}
	c.labels = append(c.labels, &l)
	return &l
}

// span is from when to when a scene's trouble is there.
func (c *campus) span(rnd *rand.Rand, s scene) (onset, until time.Time) {
	whole := time.Duration(c.hours) * time.Hour
	onset = c.start.Add((whole/10 + time.Duration(rnd.Float64()*0.5*float64(whole))).Truncate(time.Second))
	switch {
	case s.whole:
		return c.start, until
	case s.from > 0:
		onset = c.start.Add(s.from)
	case s.hour > 0:
		onset = c.start.Add(time.Duration(s.hour) * time.Hour)
	}
	switch ends := rnd.IntN(3) == 0; {
	case s.lasts > 0:
		until = onset.Add(s.lasts + s.every*time.Duration(max(s.times-1, 0)))
	case ends:
		until = onset.Add(whole / 4)
	}
	return onset, until
}

// strike puts a scene's trouble on the field, as often as it comes.
func (c *campus) strike(rnd *rand.Rand, s scene, l *label) {
	fault := field.Fault{Fan: l.fan, Gateway: l.gateway, Kind: s.kind, From: l.onset, Until: l.until, Size: s.size}
	if s.most != 0 {
		fault.Size = s.size * math.Pow(s.most/s.size, rnd.Float64())
	}
	for range max(s.times, 1) {
		if s.times > 0 {
			fault.Until = fault.From.Add(s.lasts)
		}
		c.faults = append(c.faults, fault)
		if s.harmless {
			c.shared = append(c.shared, fault)
		}
		fault.From = fault.From.Add(s.every)
	}
}
