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
// what waited is written. Where no small disk may be mounted, the machine's own is
// filled as far as its reserve.
func TestAFullDiskIsAFaultThatPasses(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=6m"); err != nil {
		t.Log("no small disk can be mounted here:", err)
		const spare = 256 << 20 // what others write meanwhile is far less
		fillUp(t, dir, free(t, dir)-spare, 2*spare)
		return
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	for name, reserve := range map[string]int64{"with a reserve": 500_000, "to the last byte": 1} {
		t.Run(name, func(t *testing.T) { fillUp(t, filepath.Join(dir, name), reserve, 8<<20) })
	}
}

func free(t *testing.T, dir string) int64 {
	var at syscall.Statfs_t
	if err := syscall.Statfs(dir, &at); err != nil {
		t.Fatal(err)
	}
	return int64(at.Bavail) * int64(at.Bsize)
}

// occupy takes room on a disk, as much as there is.
func occupy(path string, size int64) {
	file, err := os.Create(path)
	if err != nil {
		return
	}
	defer file.Close()
	if syscall.Fallocate(int(file.Fd()), 0, 0, size) != nil {
		_, _ = file.Write(make([]byte, size))
	}
}

func fillUp(t *testing.T, dir string, reserve, size int64) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) }) // the next has the whole disk
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
	occupy(ballast, size)
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
