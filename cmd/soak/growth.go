package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// resource is something that must not grow: how much more its late median may be
// than its early one, in parts and beside that.
type resource struct {
	name  string
	part  float64
	extra float64
}

// Memory has room to settle: the runtime gives back what it does not need slowly,
// and history holds what it has not yet written as a block.
var resources = []resource{
	{"goroutines", 0.05, 6},
	{"descriptors", 0.05, 6},
	{"sockets", 0.05, 4},
	{"threads", 0.2, 6},
	{"heap in use, MB", 0.25, 12},
	{"resident, MB", 0.25, 24},
	{"files in the store", 0, 12},
}

// sample is what the daemon had at rest after a round.
type sample struct {
	at     time.Time
	life   int // of which process
	values []float64
}

// rest takes a sample.
func (s *soak) rest(life int) (sample, error) {
	metrics, err := s.watch.scrape()
	if err != nil {
		return sample{}, err
	}
	pid := s.child().pid()
	sockets, err := socketsOf(pid)
	if err != nil {
		return sample{}, err
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return sample{}, err
	}
	files := 0
	filepath.WalkDir(s.disk.dir, func(string, os.DirEntry, error) error { files++; return nil })
	return sample{time.Now(), life, []float64{metrics["go_goroutines"], metrics["process_open_fds"], float64(sockets),
		number(string(status), "Threads:"), metrics["go_memstats_heap_inuse_bytes"] / 1e6, number(string(status), "VmRSS:") / 1e3, float64(files)}}, nil
}

// number is a number of /proc/PID/status, in kB where it has a unit.
func number(status, name string) float64 {
	_, rest, _ := strings.Cut(status, name)
	words := strings.Fields(rest)
	if len(words) == 0 {
		return 0
	}
	n, _ := strconv.ParseFloat(words[0], 64)
	return n
}

func socketsOf(pid int) (n int, err error) {
	folder := fmt.Sprintf("/proc/%d/fd", pid)
	entries, err := os.ReadDir(folder)
	for _, e := range entries {
		if to, err := os.Readlink(filepath.Join(folder, e.Name())); err == nil && strings.HasPrefix(to, "socket:") {
			n++
		}
	}
	return n, err
}

// trend is how one resource went: its medians early and late in the life of the
// last process.
type trend struct {
	resource
	early, late float64
	samples     int
}

func (t *trend) grew() bool { return t.late > t.early*(1+t.part)+t.extra }

// trends compares the first third of the samples of the last process with the last
// third; the first of many is left out, as warm-up.
func trends(all []sample) []trend {
	if len(all) == 0 {
		return nil
	}
	life := all[len(all)-1].life
	all = slices.DeleteFunc(slices.Clone(all), func(s sample) bool { return s.life != life })
	if len(all) > 6 {
		all = all[1:]
	}
	third := max(1, len(all)/3)
	found := make([]trend, len(resources))
	for i := range resources {
		found[i] = trend{resources[i], medianOf(all[:third], i), medianOf(all[len(all)-third:], i), len(all)}
	}
	return found
}

func medianOf(all []sample, of int) float64 {
	values := make([]float64, len(all))
	for i := range all {
		values[i] = all[i].values[of]
	}
	slices.Sort(values)
	return values[(len(values)-1)/2]
}
