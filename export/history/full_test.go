package history

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"fanwarden/rules/condition"
)

// A disk that is full is told, and holds up nothing; when there is room again,
// what waited is written. It needs the right to mount a disk of a few megabytes.
func TestAFullDiskIsAFaultThatPasses(t *testing.T) {
	for name, reserve := range map[string]int64{"with a reserve": 500_000, "to the last byte": 1} {
		t.Run(name, func(t *testing.T) { fillUp(t, reserve) })
	}
}

func fillUp(t *testing.T, reserve int64) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=6m"); err != nil {
		t.Skip("no small disk can be mounted here:", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	ballast := filepath.Join(dir, "ballast")
	s := begun(t, Options{Dir: filepath.Join(dir, "history"), Reserve: reserve})
	n := 0
	record := func(readings int) {
		for range readings {
			s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(n)*time.Second), float64(n*n%977), float64(n%97)/100), condition.Controlling)
			n++
		}
		s.setUp(s.Flush())
	}
	record(1000)
	if !s.Figures().Up {
		t.Fatal("it is down on a disk with room")
	}
	_ = os.WriteFile(ballast, make([]byte, 8<<20), 0o600) // until nothing goes in
	for range 20 {
		record(1000)
	}
	if s.Figures().Up {
		t.Fatal("a full disk is not told")
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	record(1000)
	f := s.Figures()
	if !f.Up || f.Dropped.Full+f.Dropped.Order != 0 || f.Written != uint64(n) {
		t.Errorf("%+v of %d", f, n)
	}
	b := trend(t, s, "ef1", start, start.Add(24*time.Hour), 24*time.Hour).Buckets
	if len(b) != 1 || b[0].Readings != n {
		t.Errorf("%d readings are kept of %d", b[0].Readings, n)
	}
}
