package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/campus"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
)

// recordingOfFourFans writes two hours of the four fans at five seconds, with
// their gateway lost for five minutes at the end of the first hour.
func recordingOfFourFans(t testing.TB, rounds int) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("time,fan,pressure_pa,speed,high_speed,quality\n")
	began := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	for i := range rounds {
		at := began.Add(time.Duration(i) * 5 * time.Second).Format(time.RFC3339)
		if i >= 720 && i < 780 {
			for _, fan := range []string{"healthy", "pinned", "idle", "inverted"} {
				fmt.Fprintf(&b, "%s,%s,,,,refused\n", at, fan)
			}
			continue
		}
		wobble := float64(i%7) / 10
		fmt.Fprintf(&b, "%s,healthy,%.1f,0.55,0,ok\n%s,pinned,%.1f,1,1,ok\n%s,idle,%.1f,0,0,ok\n%s,inverted,%.1f,1,1,ok\n",
			at, -30+wobble, at, -8+wobble, at, 22+wobble, at, 180+wobble)
	}
	path := filepath.Join(t.TempDir(), "readings.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// servicedFleet is the four fans with the holds of a fleet in service.
func servicedFleet(t testing.TB) string {
	t.Helper()
	text := fmt.Sprintf(fourFans, "tcp://192.0.2.1:502")
	head, _, _ := strings.Cut(text, "[rules.pinned_at_max]")
	_, rest, _ := strings.Cut(text, "[pointmaps.riser]")
	text = strings.ReplaceAll(head+"[pointmaps.riser]"+rest, `poll_every = "250ms"`, `poll_every = "5s"`)
	path := filepath.Join(t.TempDir(), "fleet.toml")
	text = strings.ReplaceAll(text, `stale_after = "1s"`, `stale_after = "20s"`)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReplayRaisesWhatADaemonWouldHave(t *testing.T) {
	status, out, stderr := runCommand(t, "replay", "--format", "jsonl", "--config", servicedFleet(t), recordingOfFourFans(t, 1440))
	if status != allWell || !strings.Contains(stderr, "5760 readings judged") {
		t.Errorf("status %d, stderr %q", status, stderr)
	}
	var got []string
	for _, line := range strings.Split(strings.TrimSpace(out), "\n") {
		var e struct {
			Time                                                         time.Time
			Building, Gateway, Fan, Condition, Change, Severity, Summary string
			Evidence                                                     map[string]float64
			Causes                                                       []string
		}
		d := json.NewDecoder(strings.NewReader(line))
		d.DisallowUnknownFields()
		if err := d.Decode(&e); err != nil && !strings.Contains(err.Error(), "reason") {
			t.Errorf("%v: %s", err, line)
		}
		if e.Building != "north" || e.Severity == "" || e.Summary == "" || len(e.Evidence) == 0 || len(e.Causes) == 0 {
			t.Errorf("incomplete: %s", line)
		}
		got = append(got, e.Time.Format("15:04:05")+" "+strings.TrimSpace(e.Fan+" "+e.Condition)+" "+e.Change)
	}
	want := []string{
		"06:02:05 idle stuck_idle raised", // hold and start delay
		"06:03:00 inverted inverted_sign raised",
		"06:22:00 pinned pinned_at_max raised",
		"07:01:00 gateway_down raised",
		"07:05:00 gateway_down cleared",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestReplayWritesOneLineAChangeForPeople(t *testing.T) {
	_, out, _ := runCommand(t, "replay", "--config", servicedFleet(t), recordingOfFourFans(t, 300))
	wanted := "2026-01-05T06:22:00Z  pinned  pinned_at_max raised, ticket: at top speed (100 %) for 22 min, reading "
	if !strings.Contains(out, wanted) {
		t.Errorf("no %q in:\n%s", wanted, out)
	}
}

func TestReplayNamesTheLineOfABadRowAndKeepsWhatItFoundBefore(t *testing.T) {
	path := recordingOfFourFans(t, 300)
	file, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	file.WriteString("2026-01-05T06:59:00Z,healthy,much,0.5,0,ok\n")
	file.Close()
	status, out, stderr := runCommand(t, "replay", "--config", servicedFleet(t), path)
	if status != couldNotRun || !strings.Contains(stderr, path+":1202: ") || !strings.Contains(stderr, `"much"`) {
		t.Errorf("status %d, stderr %q", status, stderr)
	}
	if !strings.Contains(out, "pinned_at_max raised") {
		t.Errorf("what was found before the bad row is gone:\n%s", out)
	}
}

func TestReplayRefusesWhatIsNoRecordingAtOnce(t *testing.T) {
	fleet := servicedFleet(t)
	for text, want := range map[string]string{
		"":                                    "the file is empty",
		"time;fan;speed;pressure_pa\n":        "not separated by commas",
		"time,fan,speed,pressure_pa,foo\n":    `column "foo" is not known`,
		"time,time,fan,speed,pressure_pa\n":   `column "time" is there twice`,
		"fan,speed,pressure_pa\n":             `there is no column "time"`,
		"\xff\xfet\x00i\x00m\x00e\x00,\x00\n": "is not known", // UTF-16
	} {
		path := filepath.Join(t.TempDir(), "readings.csv")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		status, out, stderr := runCommand(t, "replay", "--config", fleet, path)
		if status != couldNotRun || out != "" || !strings.Contains(stderr, path+":1: ") || !strings.Contains(stderr, want) {
			t.Errorf("%q: status %d, stdout %q, stderr %q; want %q", text, status, out, stderr, want)
		}
	}
	if status, _, stderr := runCommand(t, "replay", "--config", fleet, t.TempDir()); status != couldNotRun || !strings.Contains(stderr, "directory") {
		t.Errorf("a folder: status %d, stderr %q", status, stderr)
	}
}

func TestReplayOfAFileInTheWrongOrderSaysSo(t *testing.T) {
	text, _ := os.ReadFile(recordingOfFourFans(t, 100))
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	slices.Reverse(lines[1:])
	path := filepath.Join(t.TempDir(), "reversed.csv")
	os.WriteFile(path, []byte(strings.Join(lines, "\n")+"\n"), 0o600)
	_, _, stderr := runCommand(t, "replay", "--config", servicedFleet(t), path)
	if !strings.Contains(stderr, "sort the file by time, oldest first") {
		t.Errorf("stderr %q", stderr)
	}
}

// recordingOfACampus writes what polls of the demo's campus bring in a day and
// more: noise, demand and gusts, starts and stops, and every trouble of it.
//
// Soon brings on all troubles within ten minutes, so that a short one shows them.
func recordingOfACampus(b testing.TB, span time.Duration, soon bool) (fleet, readings string) {
	b.Setenv("TMPDIR", b.TempDir())
	d, err := newDemonstration(campus.Usual, "127.0.0.1:0", zap.NewNop())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(d.close)
	if soon {
		for _, fault := range d.field.Faults() {
			fault.From = d.field.Now().Add(10 * time.Minute)
			if err := d.field.Put(fault); err != nil {
				b.Fatal(err)
			}
		}
	}
	readings = filepath.Join(b.TempDir(), "readings.csv")
	file, err := os.Create(readings)
	if err != nil {
		b.Fatal(err)
	}
	buffer := bufio.NewWriterSize(file, 1<<20)
	writer, flows := recording.NewWriter(buffer), make(map[reading.FanID]bool)
	for _, fan := range d.fleet.Fans {
		flows[fan.ID] = fan.ControlsAirflow
	}
	end := d.field.Now().Add(span)
	feed := func(r *reading.Reading) { err = errors.Join(err, writer.Write(r, flows[r.Fan])) }
	past := layPast(b.Context(), d.field, func() time.Time { return end }, feed, func(float64) {})
	if err := errors.Join(err, past, buffer.Flush(), file.Close()); err != nil {
		b.Fatal(err)
	}
	return filepath.Join(d.folder, "fleet.toml"), readings
}

// BenchmarkReplay is the whole command over a million readings of a campus, as
// a person would run it, by all rules.
func BenchmarkReplay(b *testing.B) {
	fleet, readings := recordingOfACampus(b, 28*time.Hour, false)
	best := 0.0 // the machine may be busy with something else
	for b.Loop() {
		var diagnostics strings.Builder
		status := execute(b.Context(), &process{stdout: io.Discard, stderr: &diagnostics}, []string{"replay", "--config", fleet, readings})
		_, rate, _ := strings.Cut(diagnostics.String(), " (")
		rate, _, _ = strings.Cut(rate, " a second")
		readingsASecond, err := strconv.ParseFloat(rate, 64)
		if status != allWell || err != nil {
			b.Fatalf("status %d: %s", status, diagnostics.String())
		}
		best = max(best, readingsASecond)
	}
	b.ReportMetric(best, "readings/s")
}
