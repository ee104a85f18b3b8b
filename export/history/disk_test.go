package history

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/rules/condition"
)

// A folder that cannot be made is told once, holds up nobody, and loses nothing
// that the queue has room for.
func TestADiskThatTakesNothingIsToldOnce(t *testing.T) {
	blocked := filepath.Join(t.TempDir(), "store")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	core, log := observer.New(zap.InfoLevel)
	s := begun(t, Options{Dir: filepath.Join(blocked, "history"), Log: zap.New(core), Queue: 100})
	for i := range 150 {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*time.Second), -30, 0.5), condition.Controlling)
		if i == 60 {
			s.setUp(s.Flush())
		}
	}
	for range 3 {
		s.setUp(s.Flush())
	}
	if f := s.Figures(); f.Up || f.Dropped.Full != 50 || f.Written != 0 {
		t.Errorf("%+v", f)
	}
	if _, err := s.Trend(t.Context(), "ef1", 0, start, start.Add(time.Hour), time.Hour); err == nil {
		t.Error("a trend of a folder that is not open")
	}
	if n := log.FilterMessageSnippet("cannot be kept").Len(); n != 1 {
		t.Errorf("told %d times", n)
	}
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	s.setUp(s.Flush())
	if f := s.Figures(); !f.Up || f.Written != 100 {
		t.Errorf("%+v", f)
	}
	if n := log.FilterMessageSnippet("kept again").Len(); n != 1 {
		t.Errorf("told %d times that it is well", n)
	}
	b := trend(t, s, "ef1", start, start.Add(time.Hour), time.Hour).Buckets
	if len(b) != 1 || b[0].Readings != 100 {
		t.Errorf("%+v", b)
	}
}

// Two daemons on one folder: the second must not take it for damaged.
func TestAFolderThatIsInUseIsLeftAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "history")
	first := begun(t, Options{Dir: dir})
	first.Record(fan("ef1"), at("ef1", start, -30, 0.5), condition.Controlling)
	flush(t, first)
	second := begun(t, Options{Dir: dir})
	if second.Figures().Up {
		t.Error("two have it open")
	}
	if aside, _ := filepath.Glob(dir + ".damaged*"); len(aside) != 0 {
		t.Errorf("put aside: %v", aside)
	}
	if b := trend(t, first, "ef1", start, start.Add(time.Hour), time.Hour).Buckets; len(b) != 1 {
		t.Errorf("%+v", b)
	}
}

// fill records hours of one reading in ten seconds, and closes.
func fill(t *testing.T, dir string, hours int) {
	t.Helper()
	s := begun(t, Options{Dir: dir})
	for i := range hours * 360 {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*10*time.Second), -30, 0.5), condition.Controlling)
	}
	flush(t, s)
	if err := s.Tidy(); err != nil {
		t.Fatal(err)
	}
	s.Close()
}

// damage writes noise over the middle of every file whose path has the part.
func damage(t *testing.T, dir, part string) (files int) {
	t.Helper()
	err := filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err != nil || info.IsDir() || !strings.Contains(path, part) || info.Size() == 0 {
			return err
		}
		files++
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for i := range content {
			content[i] ^= byte(i*7 + 1)
		}
		return os.WriteFile(path, content, 0o600)
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// Whatever is damaged, the store opens, takes readings, and gives what is whole.
func TestADamagedFolderOpens(t *testing.T) {
	for _, part := range []string{"index", "meta.json", "/chunks/", "/wal/", "chunks_head", "tombstones", "/"} {
		t.Run(strings.Trim(part, "/"), func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "history")
			fill(t, dir, 12)
			if damage(t, dir, part) == 0 {
				t.Fatal("there is no such file: the store keeps its things elsewhere now")
			}
			s := begun(t, Options{Dir: dir})
			if !s.Figures().Up {
				t.Fatal("it does not open")
			}
			later := start.Add(24 * time.Hour)
			s.Record(fan("ef1"), at("ef1", later, -40, 0.5), condition.Controlling)
			flush(t, s)
			_, _ = s.Trend(t.Context(), "ef1", 0, start, later, time.Hour) // may fail, not panic
			if b := trend(t, s, "ef1", later, later.Add(time.Hour), time.Hour).Buckets; len(b) != 1 || b[0].Value.Min != -40 {
				t.Errorf("%+v", b)
			}
		})
	}
}

// What is older than keep goes, by whole blocks.
func TestWhatIsTooOldGoes(t *testing.T) {
	s := begun(t, Options{Keep: 24 * time.Hour})
	const days = 4
	for i := range days * 24 * 60 {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*time.Minute), -30, 0.5), condition.Controlling)
	}
	flush(t, s)
	if err := s.Tidy(); err != nil {
		t.Fatal(err)
	}
	s.look()
	end := start.Add(days * 24 * time.Hour)
	f := s.Figures()
	if f.Oldest.Before(end.Add(-24*time.Hour-3*leastBlock)) || f.Oldest.After(end.Add(-24*time.Hour+time.Minute)) || f.Bytes == 0 {
		t.Errorf("the oldest is of %s, the end is %s; %d bytes", f.Oldest, end, f.Bytes)
	}
}

// Nor does it grow beyond the bytes that it may have, the log of the last hours
// included.
func TestWhatIsTooMuchGoes(t *testing.T) {
	sizes := make(map[int64]int64)
	for _, most := range []int64{0, 900_000} {
		s := begun(t, Options{MaxBytes: most})
		for i := range 4 * 24 * 720 {
			s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*5*time.Second), -30+float64(i*i%101), float64(i%89)/100), condition.Controlling)
			if i%10_000 == 0 {
				flush(t, s)
			}
		}
		flush(t, s)
		if err := s.Tidy(); err != nil {
			t.Fatal(err)
		}
		s.look()
		sizes[most] = s.Figures().Bytes
		if len(s.disk.now.Load().db.Blocks()) == 0 {
			t.Error("nothing is left")
		}
	}
	if sizes[0] < 1_000_000 || sizes[900_000] > 900_000 {
		t.Errorf("sizes by bound: %v", sizes)
	}
}

// Whoever records waits for no disk: here it is held for as long as the test.
func TestASlowDiskHoldsUpNobody(t *testing.T) {
	s := begun(t, Options{Queue: 10})
	s.disk.mu.Lock()
	for i := range 20 {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*time.Second), -30, 0.5), condition.Controlling)
	}
	f := s.Figures()
	s.disk.mu.Unlock()
	if f.Dropped.Full < 5 {
		t.Errorf("%+v", f)
	}
}
