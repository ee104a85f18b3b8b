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
		if !tried[kind] {
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
	for _, args := range []string{"", "paint", "write", "write --dir x --hours 0", "score --seeds 0", "score --rules hurting", "score more"} {
		var out, diagnostics bytes.Buffer
		if status := command(strings.Fields(args), &out, &diagnostics); status != 2 || diagnostics.Len() == 0 || out.Len() > 0 {
			t.Errorf("%q: status %d, %q, %q", args, status, out.String(), diagnostics.String())
		}
	}
}
