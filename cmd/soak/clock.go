package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
	"unsafe"
)

// clockVariable names the file that the daemon's clock is shifted by.
const clockVariable = "FANWARDEN_SOAK_CLOCK"

// shifting is added to the standard library's package time: seconds that stand in
// a mapped file are added to the wall clock, and to it alone.
const shifting = `package time

import (
	"sync/atomic"
	"syscall"
	"unsafe"
)

var wallShift = func() *int64 {
	none := new(int64)
	path, given := syscall.Getenv("` + clockVariable + `")
	if !given {
		return none
	}
	fd, err := syscall.Open(path, syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
	if err != nil {
		return none
	}
	page, err := syscall.Mmap(fd, 0, 8, syscall.PROT_READ, syscall.MAP_SHARED)
	syscall.Close(fd)
	if err != nil {
		return none
	}
	return (*int64)(unsafe.Pointer(&page[0]))
}()

func shiftOfWall() int64 {
	if wallShift == nil { // the variables of other packages come first
		return 0
	}
	return atomic.LoadInt64(wallShift)
}
`

// reads is the line of time.Now that takes the clock, and what it becomes.
const (
	reads  = "\tsec, nsec, mono := runtimeNow()\n"
	shifts = reads + "\tsec += shiftOfWall()\n"
)

// overlay writes what replaces the standard library's package time, and returns
// the file that tells `go build` of it.
func (o options) overlay() (string, error) {
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return "", err
	}
	folder := filepath.Join(strings.TrimSpace(string(out)), "src", "time")
	text, err := os.ReadFile(filepath.Join(folder, "time.go"))
	if err != nil {
		return "", err
	}
	if strings.Count(string(text), "func Now() Time {\n"+reads) != 1 {
		return "", errors.New("the time.Now of this Go is not the one that is known here")
	}
	with := strings.Replace(string(text), "func Now() Time {\n"+reads, "func Now() Time {\n"+shifts, 1)
	replace := map[string]string{filepath.Join(folder, "time.go"): o.path("time.go"), filepath.Join(folder, "shift_of_wall.go"): o.path("shift.go")}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	for name, content := range map[string][]byte{"time.go": []byte(with), "shift.go": []byte(shifting), "overlay.json": list} {
		if err := os.WriteFile(o.path(name), content, 0o644); err != nil {
			return "", err
		}
	}
	return o.path("overlay.json"), nil
}

// build makes the daemon, with a clock that can be set if that goes; why says why
// not.
func (o options) build() (why, err error) {
	args := []string{"build", "-pgo=off", "-o", o.path("fanwarden")}
	overlay, why := o.overlay()
	if why == nil {
		args = append(args, "-overlay", overlay)
	}
	args = append(args, "fanwarden/cmd/fanwarden")
	out, err := exec.Command("go", args...).CombinedOutput()
	if err != nil { // the cache of builds may have been emptied meanwhile
		out, err = exec.Command("go", args...).CombinedOutput()
	}
	if err != nil && why == nil {
		why = fmt.Errorf("%w\n%s", err, out)
		out, err = exec.Command("go", "build", "-pgo=off", "-o", o.path("fanwarden"), "fanwarden/cmd/fanwarden").CombinedOutput()
	}
	if err != nil {
		return why, fmt.Errorf("go build: %w\n%s", err, out)
	}
	return why, nil
}

// clock is the daemon's, seen from here.
type clock struct {
	path string
	page []byte
}

func (o options) newClock() (*clock, error) {
	c := &clock{path: o.path("clock")}
	f, err := os.Create(c.path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if err := f.Truncate(8); err != nil {
		return nil, err
	}
	c.page, err = syscall.Mmap(int(f.Fd()), 0, 8, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED)
	return c, err
}

// shift is by how much the daemon's clock is off.
func (c *clock) shift() time.Duration {
	return time.Duration(atomic.LoadInt64((*int64)(unsafe.Pointer(&c.page[0])))) * time.Second
}

func (c *clock) set(shift time.Duration) {
	atomic.StoreInt64((*int64)(unsafe.Pointer(&c.page[0])), int64(shift/time.Second))
}

// wall is what the daemon's clock shows, without the monotonic one.
func (c *clock) wall(now time.Time) time.Time { return now.Round(0).Add(c.shift()) }
