package config

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// reference returns the rows of REFERENCE.md: section → key → row.
func reference(t *testing.T) map[string]map[string]string {
	t.Helper()
	text, err := os.ReadFile("REFERENCE.md")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile("`([a-z_]+)`")
	rows := make(map[string]map[string]string)
	section := ""
	for _, line := range strings.Split(string(text), "\n") {
		if heading, ok := strings.CutPrefix(line, "## "); ok {
			section = heading
		}
		cells := strings.Split(line, "|")
		if section == "" || len(cells) < 5 || !strings.HasPrefix(cells[1], " `") {
			continue
		}
		if rows[section] == nil {
			rows[section] = make(map[string]string)
		}
		for _, name := range names.FindAllStringSubmatch(cells[1], -1) {
			rows[section][name[1]] = line
		}
	}
	return rows
}

// asked returns the keys that the reader asked for in the full example, by the
// headings of the reference.
func asked(t *testing.T) map[string][]string {
	t.Helper()
	_, r := full(t)
	all := make(map[string][]string)
	for section, keys := range r.asked {
		switch {
		case section == "":
			section = "Before the first table"
		case strings.HasPrefix(section, "[rules."):
			section = "[rules.X]"
		case section == "[web.users]" || section == "[web.tokens]" || section == "[pointmaps]" || section == "[pointmaps.X.points]" || section == "[rules]" || section == "[fans.rules]":
			continue // the keys are names
		}
		for key := range keys {
			if !slices.Contains(all[section], key) {
				all[section] = append(all[section], key)
			}
		}
	}
	return all
}

func TestEveryKeyIsInTheReference(t *testing.T) {
	rows := reference(t)
	all := asked(t)
	for section, keys := range all {
		for _, key := range keys {
			if rows[section][key] == "" {
				t.Errorf("REFERENCE.md has no row for %q in %s", key, section)
			}
		}
	}
	for section, keys := range rows {
		for key := range keys {
			if !slices.Contains(all[section], key) {
				t.Errorf("REFERENCE.md has a row for %q in %s, which no reader asks for", key, section)
			}
		}
	}
}

func TestFullExampleUsesEveryKey(t *testing.T) {
	fleet, err := os.ReadFile("testdata/full/fleet.toml")
	if err != nil {
		t.Fatal(err)
	}
	for section, keys := range asked(t) {
		for _, key := range keys {
			used := regexp.MustCompile(`(?m)(^|[\[{ .,])` + key + `( = |[\].])`).Match(fleet)
			if !used {
				t.Errorf("testdata/full/fleet.toml does not use %q of %s", key, section)
			}
		}
	}
}

func TestReferenceNamesEveryPointAndDefault(t *testing.T) {
	text, err := os.ReadFile("REFERENCE.md")
	if err != nil {
		t.Fatal(err)
	}
	for p := range reading.Points {
		if name := reading.Point(p).String(); !strings.Contains(string(text), "`"+name+"`") {
			t.Errorf("the point %s is not in REFERENCE.md", name)
		}
	}
	rows := reference(t)
	span := func(d time.Duration) string { // 1h0m0s is 1h, 22m0s is 22m
		s := d.String()
		if strings.HasSuffix(s, "m0s") {
			s = strings.TrimSuffix(s, "0s")
		}
		if strings.HasSuffix(s, "h0m") {
			s = strings.TrimSuffix(s, "0m")
		}
		return s
	}
	ratio := func(r float64) string { return fmt.Sprintf("%g %%", r*100) }
	for _, c := range []struct{ section, key, def string }{
		{"[fleet]", "poll_every", span(defaultPollEvery)},
		{"[fleet]", "stale_after", "20s"},
		{"[web]", "listen", defaultListen},
		{"[store]", "keep", fmt.Sprintf("%dd", defaultKeep/(24*time.Hour))},
		{"[[gateways]]", "timeout", defaultTimeout.String()},
		{"[[gateways]]", "max_gap", fmt.Sprint(defaultMaxGap)},
		{"[[gateways]]", "max_registers", fmt.Sprint(mostRegisters)},
		{"[[gateways]]", "baud", fmt.Sprint(defaultBaud)},
		{"[[gateways]]", "data_bits", fmt.Sprint(defaultDataBits)},
		{"[[gateways]]", "unit", fmt.Sprint(defaultUnit)},
		{"[[fans]]", "unit", fmt.Sprint(defaultUnit)},
		{"[[fans]]", "min_speed", ratio(defaultMinSpeed)},
		{"[[fans]]", "max_speed", ratio(defaultMaxSpeed)},
		{"[[fans]]", "stopped_below", ratio(defaultStoppedBelow)},
		{"[[fans]]", "run_on", "30s"},
		{"[[fans]]", "start_delay", defaultStartDelay.String()},
		{"[[fans]]", "probe_factor", fmt.Sprint(defaultProbeFactor)},
		{"[[fans]]", "air_density", fmt.Sprint(defaultAirDensity) + " kg/m3"},
	} {
		if cells := strings.Split(rows[c.section][c.key], "|"); len(cells) < 5 || !strings.Contains(cells[4], "`"+c.def+"`") {
			t.Errorf("REFERENCE.md does not give %s %s the default %s", c.section, c.key, c.def)
		}
	}
	if defaultRunOn != 30*time.Second || defaultStaleAfter != 20*time.Second {
		t.Error("the defaults of run_on and stale_after are not those of REFERENCE.md")
	}
	for _, d := range condition.Catalogue() {
		row := fmt.Sprintf("| %s | `%s` | `%s` |", d.Name, span(d.Default.Hold), d.Default.Severity)
		if !strings.Contains(string(text), row) {
			t.Errorf("REFERENCE.md does not have the row %s", row)
		}
		for _, p := range d.Own {
			if row := rows["[rules.X]"][p.Key]; !strings.Contains(row, "`"+string(d.Name)+"`") {
				t.Errorf("REFERENCE.md does not say that %s belongs to %s", p.Key, d.Name)
			}
		}
	}
}
