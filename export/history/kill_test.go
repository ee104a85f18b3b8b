package history

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"fanwarden/rules/condition"
)

// childDir names the variable that makes this test's binary a child that
// records into the folder until it is killed.
const childDir = "HISTORY_TEST_CHILD"

// every is the time between two of the child's readings, so that it writes
// blocks too while it is killed.
const every = 20 * time.Second

// recordForEver records readings, from the one that the variable names, in
// batches, and prints how many are committed.
func recordForEver(arg string) {
	dir, from, _ := strings.Cut(arg, "|")
	i, err := strconv.Atoi(from)
	if err != nil {
		panic(err)
	}
	s := Open(Options{Dir: dir, Keep: month})
	for {
		for range 50 {
			s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*every), float64(i%100), 0.5), condition.Controlling)
			i++
		}
		if err := s.Flush(); err != nil {
			panic(err)
		}
		fmt.Println(i)
		if err := s.Tidy(); err != nil {
			panic(err)
		}
	}
}

// What is committed outlives a kill, at whatever instant it comes.
func TestNothingCommittedIsLostToAKill(t *testing.T) {
	const kills = 24
	dir := filepath.Join(t.TempDir(), "history")
	committed := 0
	for range kills {
		committed = killed(t, dir, committed)
	}
	s := begun(t, Options{Dir: dir})
	if !s.Figures().Up {
		t.Fatal("it does not open")
	}
	b := trend(t, s, "ef1", start, start.Add(time.Duration(committed)*every), 365*24*time.Hour).Buckets
	if len(b) != 1 || b[0].Readings != committed {
		t.Errorf("%+v, want %d readings", b, committed)
	}
	if len(s.disk.now.Load().db.Blocks()) == 0 {
		t.Error("no block was written in all that time")
	}
	if aside, _ := filepath.Glob(filepath.Join(filepath.Dir(dir), "*damaged*")); len(aside) != 0 {
		t.Errorf("put aside: %v", aside)
	}
}

// killed lets a child record, kills it, and returns what it had committed.
func killed(t *testing.T, dir string, from int) (committed int) {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), fmt.Sprintf("%s=%s|%d", childDir, dir, from))
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines, committed, batches := bufio.NewScanner(out), from, rand.IntN(20)
	for lines.Scan() {
		if n, err := strconv.Atoi(lines.Text()); err == nil {
			committed = n
		}
		if batches--; batches == 0 || batches < -1 {
			_ = child.Process.Kill()
		}
		if batches < -1 {
			batches = -1
		}
	}
	_ = child.Process.Kill()
	_ = child.Wait()
	if committed == from {
		t.Fatal("the child committed nothing")
	}
	return committed
}
