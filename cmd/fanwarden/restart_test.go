package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A daemon that is killed and started again goes on where it was: what stood
// stands, and nothing is raised a second time. (That holds go on too is tested
// with hand-made time in package rules.)
func TestADaemonThatIsKilledGoesOnWhereItWas(t *testing.T) {
	t.Parallel()
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	dir := filepath.Join(t.TempDir(), "store")
	file := writeFleet(t, fmt.Sprintf("[store]\ndir = %q\n", dir)+fmt.Sprintf(fourFans, "tcp://127.0.0.1:"+field.port))
	memory := filepath.Join(dir, "rules.memory")

	first := startDaemon(t, file)
	want(t, "what stands", threeWrong, first.active)
	stood := time.Now()
	eventually(t, func() error { // a change is on disk within some seconds
		_, err := os.Stat(memory)
		if err == nil && time.Since(stood) < 7*time.Second {
			return errors.New("what was changed last may not be written yet")
		}
		return err
	})
	first.cmd.Process.Kill()
	first.cmd.Wait()

	second := startDaemon(t, file)
	second.await(event{Event: "the rules go on where they were"})
	want(t, "what stands", threeWrong, second.active)
	second.stop()
	for _, e := range second.seen {
		if e.Event == "raised" || e.Event == "cleared" {
			t.Errorf("told again: %+v", e)
		}
	}

	if err := os.WriteFile(memory, []byte("no memory"), 0o600); err != nil {
		t.Fatal(err)
	}
	third := startDaemon(t, file)
	third.await(event{Event: "what the rules remembered is lost; their holds begin anew"})
	third.await(event{Event: "raised"})
	want(t, "what stands", threeWrong, third.active)
	third.stop()
}

// A folder that cannot be written is told, and stops nothing.
func TestAStoreThatCannotBeMadeStopsNothing(t *testing.T) {
	t.Parallel()
	taken := filepath.Join(t.TempDir(), "taken")
	if err := os.WriteFile(taken, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	d := startDaemon(t, writeFleet(t, fmt.Sprintf("[store]\ndir = %q\n", taken)+fmt.Sprintf(fourFans, "tcp://127.0.0.1:"+field.port)))
	want(t, "what stands", threeWrong, d.active)
	d.stop()
	told := 0
	for _, e := range d.seen {
		if strings.Contains(e.Event, "cannot be written: give [store] dir") {
			told++
		}
	}
	if told != 1 {
		t.Errorf("told %d times:\n%s", told, d.log())
	}
}
