package daemon

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

var newYear = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

func parsed(t testing.TB, file string) *config.Fleet {
	t.Helper()
	fleet, faults := config.Parse("fleet.toml", []byte(file), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return fleet
}

// stint is one run of a daemon, as far as its rules and their memory go.
type stint struct {
	*memory
	logged *observer.ObservedLogs
}

// begin starts a run that keeps its memory in a folder.
func begin(t testing.TB, dir string, fleet *config.Fleet) stint {
	t.Helper()
	core, logged := observer.New(zap.InfoLevel)
	log := zap.New(core)
	m := &memory{path: filepath.Join(dir, memoryFile), judge: newJudge(fleet, "test", log, newDesk(fleet, log, time.Now), newYear), log: log}
	m.recall()
	return stint{m, logged}
}

// pinned feeds readings of fans of which the first is short at its top.
func (s stint) pinned(from time.Time, span time.Duration) {
	fleet := s.judge.fleet
	for at := from; at.Before(from.Add(span)); at = at.Add(5 * time.Second) {
		c := &poller.Cycle{Gateway: fleet.Gateways[0].ID, Start: at}
		for i, f := range fleet.Fans {
			r := reading.Reading{Fan: f.ID, Gateway: f.Gateway.ID, Time: at}
			r.Set(reading.Speed, 0.6)
			r.Set(reading.Pressure, -30)
			if i == 0 {
				r.Set(reading.Speed, 1)
				r.Set(reading.Pressure, -10)
			}
			c.Readings = append(c.Readings, r)
		}
		s.judge.take(c)
	}
}

func (s stint) count(message string) int { return s.logged.FilterMessage(message).Len() }

// stands returns what stands of a fan.
func (s stint) stands(fan reading.FanID) []condition.Standing {
	_, _, standing := s.judge.engine.FanView(fan)
	return standing
}

func TestAHoldGoesOnOverARestartAndWhatStandsIsNotRaisedTwice(t *testing.T) {
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	first := begin(t, dir, fleet)
	first.pinned(newYear, 15*time.Minute)
	first.save()
	second := begin(t, dir, fleet)
	second.pinned(newYear.Add(15*time.Minute+20*time.Second), 10*time.Minute)
	if n := second.count("raised"); n != 1 {
		t.Fatalf("%d raised", n)
	}
	second.save()
	third := begin(t, dir, fleet)
	third.judge.publish(newYear)
	if shown := third.judge.board.Snapshot().Fans[0].Standing; len(shown) != 1 || shown[0].Condition != condition.PinnedAtMax {
		t.Errorf("before the first poll there stands %+v", shown)
	}
	third.pinned(newYear.Add(26*time.Minute), time.Hour)
	if n := third.count("raised"); n != 0 {
		t.Errorf("%d raised again", n)
	}
}

// A clock that was set back while the daemon was down: the file is of the
// future.
func TestMemoryFromTheFuture(t *testing.T) {
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	first := begin(t, dir, fleet)
	first.pinned(newYear.Add(5*time.Hour), 15*time.Minute)
	first.save()
	second := begin(t, dir, fleet)
	second.pinned(newYear, 10*time.Minute)
	if n := second.count("raised"); n != 1 {
		t.Errorf("%d raised", n)
	}
	if mode, _, _ := second.judge.engine.FanView("ef2"); mode != condition.Controlling {
		t.Errorf("mode is %s", mode)
	}
}

func TestAFileThatCannotBeTrustedIsLeftOut(t *testing.T) {
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	first := begin(t, dir, fleet)
	first.pinned(newYear, 30*time.Minute)
	first.save()
	whole, err := os.ReadFile(first.path)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{"nothing": {}, "zeros": make([]byte, len(whole)),
		"another version": signed(append([]byte("fanwarden rules 2\n"), whole[len(memoryMark):len(whole)-4]...)),
		"more than was":   append(append([]byte{}, whole...), 1)}
	for n := 1; n < len(whole); n += 997 {
		files[fmt.Sprintf("the first %d bytes", n)] = whole[:n]
		bad := append([]byte{}, whole...)
		bad[n] ^= 0x10
		files[fmt.Sprintf("byte %d damaged", n)] = bad
	}
	for name, data := range files {
		if err := os.WriteFile(first.path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		s := begin(t, dir, fleet)
		if len(s.stands("ef1")) != 0 || s.count("what the rules remembered is lost; their holds begin anew") != 1 {
			t.Errorf("%s: stands %v, log %v", name, s.stands("ef1"), s.logged.All())
		}
	}
	s := begin(t, dir, fleet) // of the last
	s.pinned(newYear, 30*time.Minute)
	s.save()
	if again := begin(t, dir, fleet); len(again.stands("ef1")) != 1 {
		t.Error("a new file is not taken")
	}
}

// signed adds the checksum that is right for data.
func signed(data []byte) []byte {
	return binary.LittleEndian.AppendUint32(data, crc32.ChecksumIEEE(data))
}

// What has a right checksum and makes no sense stops nothing either.
func TestRecordsThatMakeNoSenseAreLeftOut(t *testing.T) {
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	for name, records := range map[string]string{
		"none": "", "a kind without an id": "f", "a length beyond the end": "f\xff\xff\x03ef1", "an empty fan": "f\x03ef1\x00",
		"an unknown kind": "x\x03ef1\x02ab", "an empty gateway": "g\x04roof\x00"} {
		if err := os.WriteFile(filepath.Join(dir, memoryFile), signed([]byte(memoryMark+records)), 0o600); err != nil {
			t.Fatal(err)
		}
		s := begin(t, dir, fleet)
		if s.pinned(newYear, 23*time.Minute); s.count("raised") != 1 {
			t.Errorf("%s: %v", name, s.logged.All())
		}
	}
}

func TestAFleetThatLostAndGainedFansBetweenTheRuns(t *testing.T) {
	dir := t.TempDir()
	first := begin(t, dir, parsed(t, threeFans))
	first.pinned(newYear, 30*time.Minute)
	first.save()
	other := strings.ReplaceAll(strings.ReplaceAll(threeFans, `"ef2"`, `"new1"`), `"ef3"`, `"new2"`)
	second := begin(t, dir, parsed(t, other))
	if second.pinned(newYear.Add(31*time.Minute), time.Hour); second.count("raised") != 0 || len(second.stands("ef1")) != 1 || len(second.stands("new1")) != 0 {
		t.Errorf("log %v", second.logged.All())
	}
	third := begin(t, dir, parsed(t, strings.ReplaceAll(threeFans, `"ef1"`, `"new0"`)))
	if third.judge.engine.Incidents(); len(third.stands("ef1")) != 0 || third.count("the rules go on where they were") != 1 {
		t.Errorf("log %v", third.logged.All())
	}
}

// A disk that takes nothing is told once, stops nothing, and is told again when
// it is well.
func TestADiskThatTakesNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s := begin(t, dir, parsed(t, threeFans))
	const cannot = "what the rules remember cannot be written: give [store] dir a folder that the daemon may write, with room; " +
		"after a restart their holds would begin anew"
	block := func() { // a file is where the folder should be
		if err := errors.Join(os.RemoveAll(dir), os.WriteFile(dir, nil, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	block()
	for i := range 3 {
		s.pinned(newYear.Add(time.Duration(i)*time.Minute), time.Minute)
		s.save()
	}
	if n := s.count(cannot); n != 1 {
		t.Errorf("told %d times", n)
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	s.save()
	s.save()
	if n := s.count("what the rules remember is written again"); n != 1 {
		t.Errorf("told %d times that it is well", n)
	}
	block()
	if s.save(); s.count(cannot) != 2 {
		t.Error("the second time is not told")
	}
}

// A large or slow disk is written less often, a change of a condition at once.
func TestWhenItIsWritten(t *testing.T) {
	s := begin(t, t.TempDir(), parsed(t, threeFans))
	now := newYear
	s.written = now
	writes := func(after time.Duration) bool {
		_ = os.Remove(s.path)
		s.took = 0
		s.look(s.written.Add(after))
		_, err := os.Stat(s.path)
		return err == nil
	}
	if writes(lookEvery) || !writes(rememberEvery) {
		t.Error("without a change it is written every two minutes")
	}
	s.judge.changes++
	if !writes(lookEvery) || writes(lookEvery) {
		t.Error("a change is written at once, and once")
	}
	s.judge.changes++
	s.took = lookEvery
	_ = os.Remove(s.path)
	if s.look(s.written.Add(lookEvery)); s.changes == s.judge.changes {
		t.Error("writing takes more than its share")
	}
}

// TestADaemonThatIsKilledAtAnyInstant kills a process that does nothing but
// write, again and again: what is found is whole, and nothing is left beside it.
func TestADaemonThatIsKilledAtAnyInstant(t *testing.T) {
	if dir := os.Getenv("FANWARDEN_TEST_WRITES_TO"); dir != "" {
		writeForEver(t, dir)
	}
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	for round := range 12 {
		child := exec.Command(os.Args[0], "-test.run=^TestADaemonThatIsKilledAtAnyInstant$")
		child.Env = append(os.Environ(), "FANWARDEN_TEST_WRITES_TO="+dir)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for range 1 + round {
			if !lines.Scan() {
				t.Fatal("the writer ended")
			}
		}
		_ = child.Process.Kill()
		_ = child.Wait()
		s := begin(t, dir, fleet)
		if len(s.stands("ef1")) != 1 || s.count("the rules go on where they were") != 1 {
			t.Fatalf("round %d: %v", round, s.logged.All())
		}
		if left, _ := os.ReadDir(dir); len(left) != 1 {
			t.Fatalf("round %d: %v is left", round, left)
		}
	}
}

func writeForEver(t *testing.T, dir string) {
	s := begin(t, dir, parsed(t, threeFans))
	for at := newYear.Add(time.Hour); ; at = at.Add(30 * time.Minute) {
		s.pinned(at, 30*time.Minute)
		s.save()
		fmt.Println("written")
	}
}

func manyFans(t testing.TB, n int) *config.Fleet {
	var b strings.Builder
	head, _, _ := strings.Cut(threeFans, "[[fans]]")
	head, _, _ = strings.Cut(head, "[[gateways]]")
	b.WriteString(head)
	for i := range n {
		if i%100 == 0 {
			fmt.Fprintf(&b, "[[gateways]]\nid = \"g%d\"\nbuilding = \"alder\"\nurl = \"tcp://192.0.2.%d:%d\"\n", i/100, 1+i/100%200, 502+i/100)
		}
	}
	for i := range n {
		fmt.Fprintf(&b, "[[fans]]\nid = \"ef%d\"\ngateway = \"g%d\"\nunit = %d\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n",
			i, i/100, 1+i%100)
	}
	return parsed(t, b.String())
}

// BenchmarkRemember10000 writes and recalls what the rules remember of 10,000
// fans, and says for how long polling waits for one of them at the most.
func BenchmarkRemember10000(b *testing.B) {
	fleet := manyFans(b, 10000)
	s := begin(b, b.TempDir(), fleet)
	s.pinned(newYear, time.Minute)
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			s.save()
		}
		if info, err := os.Stat(s.path); err == nil {
			b.ReportMetric(float64(info.Size())/10000, "bytes/fan")
		}
	})
	b.Run("recall", func(b *testing.B) {
		for b.Loop() {
			s.recall()
		}
	})
	b.Run("one fan, locked", func(b *testing.B) {
		for b.Loop() {
			s.judge.engine.AppendFan(nil, "ef1")
		}
	})
}

// What stands is an alarm also where the journal knows nothing of it, as after
// it was moved away.
func TestWhatStandsIsAnAlarmWithoutItsJournal(t *testing.T) {
	dir, fleet := t.TempDir(), parsed(t, threeFans)
	first := begin(t, dir, fleet)
	first.pinned(newYear, 30*time.Minute)
	first.save()
	second := begin(t, dir, fleet)
	if n := len(second.judge.desk.Alarms()); n != 0 {
		t.Fatalf("%d alarms were kept", n)
	}
	for range 2 {
		second.judge.reconcile(newYear.Add(31 * time.Minute))
	}
	alarms := second.judge.desk.Alarms()
	if len(alarms) != 1 || alarms[0].Fan != "ef1" || alarms[0].State != alarm.Unacknowledged || alarms[0].Times != 1 ||
		alarms[0].Raised.After(newYear.Add(30*time.Minute)) {
		t.Errorf("%+v", alarms)
	}
}
