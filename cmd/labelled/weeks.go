package main

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// A run of many weeks is for what comes slowly. It has two buildings: in one
// nothing is shared but the weather of the year, in the other every riser grows
// leakier by the same part of itself each week, as seals do in a dry winter: that
// is no fan's fault, and only what a fan needs beyond it is.

// season is the growth that all fans of one building share, a week.
const season = 0.1

// newWeeks lays out a run of weeks.
func newWeeks(s settings) (*campus, error) {
	rnd := rand.New(rand.NewPCG(s.seed, 0x7765656b))
	c := bare(s)
	c.tick = s.poll
	var text strings.Builder
	text.WriteString(head())
	text.WriteString("\n[[buildings]]\nid = \"rowan\"\nname = \"Rowan House\"\n")
	for b, building := range []string{"larch", "rowan"} {
		id := fmt.Sprintf("gw%02d", b+1)
		text.WriteString(strings.Replace(gatewayText(id, 15001+b, int(s.poll/time.Second)), "larch", building, 1))
		for i, scene := range weekScenes() {
			text.WriteString(c.addSlow(rnd, scene, id, i+1, float64(b)*season))
		}
	}
	return c, c.finish(text.String())
}

// weekScenes lists what is tried in each building.
func weekScenes() []scene {
	return []scene{
		{kind: field.SlowLoading, size: 0.2, most: 0.5, fan: awake, note: "fast"},
		{kind: field.SlowLoading, size: 0.1, most: 0.25, fan: slow, note: "slow"},
		{kind: field.SlowLoading, size: 0.2, most: 0.5, fan: idling, note: "goes idle"},
		{kind: field.SlowLoading, size: 0.2, most: 0.5, fan: discharge, note: "probe on discharge"},
		{fan: awake, note: "plain"}, {fan: busy, note: "a bath riser"}, {fan: tall, note: "a tall riser"},
		{fan: regular, note: "a dryer shaft"}, {fan: slow, note: "seldom used"}, {fan: discharge, note: "probe on discharge"},
	}
}

// addSlow lays out one fan of a building whose fans share a growth. Its own comes
// on top of it, from the third week on.
func (c *campus) addSlow(rnd *rand.Rand, s scene, gateway string, unit int, shared float64) string {
	f := ordinary(rnd)
	s.fan(&f)
	f.id, f.gateway, f.unit = fmt.Sprintf("%s-ef%d", gateway, unit), gateway, unit
	s.from = 2*week + time.Duration(rnd.Float64()*float64(week)).Truncate(time.Second)
	s.lasts = time.Duration(c.hours)*time.Hour - s.from
	if s.kind != "" {
		s.size += shared
		s.most += shared
	}
	c.put(rnd, s, label{fan: reading.FanID(f.id)})
	if shared > 0 {
		all := field.Fault{Fan: reading.FanID(f.id), Kind: field.SlowLoading, Size: shared, From: c.start}
		c.shared = append(c.shared, all)
		if s.kind != "" { // then its own takes over
			all.Until = c.start.Add(s.from)
		}
		c.faults = append(c.faults, all)
	}
	return f.String()
}
