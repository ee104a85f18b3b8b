package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules/condition"
)

func TestEveryKindOfTroubleHasItsSceneAndItsPlaceInTheCatalogue(t *testing.T) {
	tried := make(map[field.Kind]bool)
	for _, s := range append(fanScenes(), gatewayScenes()...) {
		tried[s.kind] = true
	}
	for _, kind := range field.Kinds() {
		if !tried[kind] && kind.Only() != config.BACnet { // the labelled campus has no BACnet gateway
			t.Errorf("%s is in no scene", kind)
		}
		e := expected(kind)
		for _, name := range append(slices.Clone(e.also), e.want) {
			if _, ok := condition.Find(name); !ok && name != "" {
				t.Errorf("%s raises %q, which is no condition", kind, name)
			}
		}
	}
}

func TestASeedLaysOutTheSameGoodFleet(t *testing.T) {
	for seed := range uint64(20) {
		c, err := newCampus(settings{seed: seed, hours: 30, fans: 4})
		if err != nil {
			t.Fatal(err)
		}
		again, _ := newCampus(settings{seed: seed, hours: 30, fans: 4})
		if c.text != again.text || len(c.labels) != len(again.labels) {
			t.Fatalf("seed %d differs from itself", seed)
		}
		if len(c.labels) != len(c.fleet.Fans)+len(gatewayScenes()) {
			t.Errorf("%d labels of %d fans", len(c.labels), len(c.fleet.Fans))
		}
		for i, l := range c.labels {
			if *l.bare() != *again.labels[i].bare() {
				t.Errorf("seed %d: %+v, then %+v", seed, l, again.labels[i])
			}
			if l.kind != "" && (l.onset.Before(c.start) || !l.until.IsZero() && !l.until.After(l.onset)) {
				t.Errorf("seed %d: a trouble from %s to %s", seed, l.onset, l.until)
			}
		}
	}
}

// TestPlainFansAreSetAsTheyShouldBe: what the settings audit warns of is no
// healthy fan.
func TestPlainFansAreSetAsTheyShouldBe(t *testing.T) {
	for seed := range uint64(20) {
		c, err := newCampus(settings{seed: seed, hours: 30, fans: 20})
		if err != nil {
			t.Fatal(err)
		}
		plain := make(map[reading.FanID]bool)
		for _, l := range c.labels {
			plain[l.fan] = l.note == "plain"
		}
		for _, w := range config.Audit(c.fleet) {
			if plain[w.Fan] {
				t.Errorf("seed %d: %s", seed, w)
			}
		}
	}
}

// TestAPeakOfTwentyMinutesIsOne: healthy fans are at their top and short of
// setpoint for most of their 20 minutes, or they would prove nothing.
func TestAPeakOfTwentyMinutesIsOne(t *testing.T) {
	c, err := newCampus(settings{seed: 5, hours: 28, fans: 0})
	if err != nil {
		t.Fatal(err)
	}
	eyes, stood, fans := make(map[reading.FanID]*eye), make(map[reading.FanID]time.Duration), c.fleet.Fans[:0:0]
	for _, f := range c.fleet.Fans {
		for _, l := range c.labels {
			if l.fan == f.ID && strings.HasPrefix(l.note, "20 minutes") {
				eyes[f.ID], fans = &eye{cfg: f}, append(fans, f)
			}
		}
	}
	c.fleet.Fans = fans // the others would only take time
	c.faults = slices.DeleteFunc(c.faults, func(f field.Fault) bool { return eyes[f.Fan] == nil })
	c.labels = nil
	if err := c.run(func(r *reading.Reading) error {
		if e := eyes[r.Fan]; e.see(r) && r.Time.Sub(c.start) >= 27*time.Hour && e.top() && e.short() > e.tolerance {
			stood[r.Fan] += period(e.cfg)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for id := range eyes {
		if stood[id] < 17*time.Minute || stood[id] > 22*time.Minute {
			t.Errorf("%s was short at its top for %s", id, stood[id])
		}
	}
	if len(eyes) < 3 {
		t.Errorf("%d fans have such a peak", len(eyes))
	}
}

// TestACrowdIsOne: twice a day a healthy fan stands at its top for most of 18
// minutes and reads 30 to 50 Pa beyond nothing, or it would prove nothing.
func TestACrowdIsOne(t *testing.T) {
	c, err := newCampus(settings{seed: 5, hours: 23, fans: 0})
	if err != nil {
		t.Fatal(err)
	}
	crowded, beyond, fans := make(map[reading.FanID]time.Duration), make(map[reading.FanID]time.Duration), c.fleet.Fans[:0:0]
	for _, f := range c.fleet.Fans {
		for _, l := range c.labels {
			if l.fan == f.ID && strings.HasPrefix(l.note, "18 minutes") {
				crowded[f.ID], fans = period(f), append(fans, f)
			}
		}
	}
	c.fleet.Fans, c.labels = fans, nil
	c.faults = slices.DeleteFunc(c.faults, func(f field.Fault) bool { return crowded[f.Fan] == 0 })
	if err := c.run(func(r *reading.Reading) error {
		speed, _ := r.Get(reading.Speed)
		if value, _ := r.Get(reading.Pressure); speed >= 0.98 && value >= 25 && value <= 55 {
			beyond[r.Fan] += crowded[r.Fan]
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(crowded) != 2 {
		t.Errorf("%d fans have a crowd", len(crowded))
	}
	for id := range crowded {
		if beyond[id] < 2*15*time.Minute || beyond[id] > 2*19*time.Minute {
			t.Errorf("%s was beyond its top for %s", id, beyond[id])
		}
	}
}

// TestFansOfOneGroupShareWhatTheyShould: a riser's fans are set alike, and what
// comes to several fans at once comes and goes at the same time.
func TestFansOfOneGroupShareWhatTheyShould(t *testing.T) {
	c, err := newCampus(settings{seed: 7, hours: 30, fans: 0})
	if err != nil {
		t.Fatal(err)
	}
	risers := make(map[string]*config.Fan)
	for _, f := range c.fleet.Fans {
		if first := risers[f.Group]; f.Group != "" && first != nil && (first.Setpoint != f.Setpoint || first.Gateway != f.Gateway) {
			t.Errorf("%s and %s share a riser and are set otherwise", first.ID, f.ID)
		}
		risers[f.Group] = f
	}
	if len(risers) != 7 {
		t.Errorf("%d risers are shared", len(risers)-1)
	}
	together := make(map[string][]*label)
	for _, l := range c.labels {
		if l.faulty() && (strings.HasPrefix(l.note, "a changed point map") || strings.HasPrefix(l.note, "a power cut")) {
			together[string(l.kind)+l.note] = append(together[string(l.kind)+l.note], l)
		}
	}
	for what, all := range together {
		for _, l := range all {
			if len(all) < 3 || !l.onset.Equal(all[0].onset) || !l.until.Equal(all[0].until) {
				t.Errorf("%s: %d fans, one from %s to %s, another from %s to %s", what, len(all), all[0].onset, all[0].until, l.onset, l.until)
			}
		}
	}
	if len(together) != 2 {
		t.Errorf("%d troubles come to several fans", len(together))
	}
}

// TestSizesAtRandomStayWithinTheirBounds, on either side of nothing.
func TestSizesAtRandomStayWithinTheirBounds(t *testing.T) {
	sizes := make(map[float64]bool)
	for seed := range uint64(10) {
		c, err := newCampus(settings{seed: seed, hours: 30, fans: 0})
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range fanScenes() {
			for _, f := range c.faults {
				if f.Fan != c.labels[i].fan || s.most == 0 {
					continue
				}
				sizes[f.Size] = true
				if low, high := min(s.size, s.most), max(s.size, s.most); f.Size < low || f.Size > high {
					t.Errorf("%s of a size of %g, want %g to %g", s.kind, f.Size, low, high)
				}
			}
		}
	}
	if len(sizes) < 50 {
		t.Errorf("%d sizes", len(sizes))
	}
}

// TestARunOfWeeks: what is shared is no fault, what comes on top of it is.
func TestARunOfWeeks(t *testing.T) {
	c, err := newCampus(settings{seed: 1, hours: 5 * 7 * 24, weeks: 5, poll: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	faulty := make(map[string]int)
	for _, l := range c.labels {
		if l.faulty() {
			faulty[string(l.fan[:4])]++
		}
	}
	if faulty["gw01"] != 4 || faulty["gw02"] != 4 || len(c.shared) != 10 {
		t.Errorf("faults %v, shared %d", faulty, len(c.shared))
	}
	keep := []reading.FanID{"gw02-ef1"} // ill, and in the building that shares a growth
	c.fleet.Fans = slices.DeleteFunc(c.fleet.Fans, func(f *config.Fan) bool { return !slices.Contains(keep, f.ID) })
	gone := func(f field.Fault) bool { return !slices.Contains(keep, f.Fan) }
	c.faults, c.shared = slices.DeleteFunc(c.faults, gone), slices.DeleteFunc(c.shared, gone)
	c.labels = slices.DeleteFunc(c.labels, func(l *label) bool { return !slices.Contains(keep, l.fan) })
	for i := range c.faults { // much, so that it shows soon
		if f := &c.faults[i]; f.Fan == keep[0] && f.Size != season {
			f.Size = 3
		}
	}
	polls := 0
	if err := c.run(func(*reading.Reading) error { polls++; return nil }); err != nil {
		t.Fatal(err)
	}
	if polls != c.hours {
		t.Errorf("%d polls in %d hours", polls, c.hours)
	}
	if at := c.labels[0].shows; c.labels[0].want != condition.CreepingLoad || at.Before(c.start.Add(2*week)) {
		t.Errorf("%+v", c.labels[0])
	}
}

// bare is a label's comparable part.
func (l *label) bare() *struct{ all string } {
	return &struct{ all string }{strings.Join(l.row(), ",")}
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	dir := t.TempDir()
	var out, diagnostics bytes.Buffer
	run := func(to string) {
		if status := command([]string{"write", "--dir", to, "--seed", "3", "--hours", "1", "--fans", "0"}, &out, &diagnostics); status != 0 {
			t.Fatal(diagnostics.String())
		}
	}
	one, two := filepath.Join(dir, "one"), filepath.Join(dir, "two")
	run(one)
	run(two)
	for _, name := range []string{"fleet.toml", "readings.csv", "truth.csv"} {
		a, err := os.ReadFile(filepath.Join(one, name))
		if b, _ := os.ReadFile(filepath.Join(two, name)); err != nil || !bytes.Equal(a, b) || len(a) == 0 {
			t.Errorf("%s is not the same for the same seed (%v)", name, err)
		}
	}
	fleet, faults, err := config.Load(filepath.Join(one, "fleet.toml"))
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	file, err := os.Open(filepath.Join(one, "readings.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader, err := recording.NewReader(file, "readings.csv")
	if err != nil {
		t.Fatal(err)
	}
	seen := make(map[reading.FanID]int)
	batch := make([]reading.Reading, 100)
	for err == nil {
		var n int
		n, err = reader.Read(batch)
		for _, r := range batch[:n] {
			seen[r.Fan]++
		}
	}
	for _, f := range fleet.Fans {
		if seen[f.ID] < 100 {
			t.Errorf("%d readings of %s in an hour", seen[f.ID], f.ID)
		}
	}
}

func TestScoringIsTheSameForOneWorkerAndTwo(t *testing.T) {
	var tables [2]bytes.Buffer
	for i, workers := range []string{"1", "2"} {
		var diagnostics bytes.Buffer
		args := []string{"score", "--seeds", "2", "--hours", "1", "--fans", "0", "--cases", "--workers", workers}
		if status := command(args, &tables[i], &diagnostics); status != 0 {
			t.Fatal(diagnostics.String())
		}
	}
	if tables[0].String() != tables[1].String() || !strings.Contains(tables[0].String(), "2 runs, ") {
		t.Errorf("%s\n%s", tables[0].String(), tables[1].String())
	}
}

func TestWhatCannotBeAskedIsRefused(t *testing.T) {
	for _, args := range []string{"", "paint", "write", "write --dir x --hours 0", "score --seeds 0", "score --rules hurting", "score --weeks 60", "score --weeks 2 --poll 7s", "score more"} {
		var out, diagnostics bytes.Buffer
		if status := command(strings.Fields(args), &out, &diagnostics); status != 2 || diagnostics.Len() == 0 || out.Len() > 0 {
			t.Errorf("%q: status %d, %q, %q", args, status, out.String(), diagnostics.String())
		}
	}
}
