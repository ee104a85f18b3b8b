package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// kept asks a daemon how many readings of a fan it keeps.
func (d *runningDaemon) kept(fan string) (readings int, err error) {
	response, err := http.Get(d.url + "/api/v1/fans/" + fan + "/history?step=1h")
	if err != nil {
		return 0, err
	}
	defer response.Body.Close()
	var trend struct {
		Steps []struct{ Readings int }
	}
	if err := json.NewDecoder(response.Body).Decode(&trend); err != nil {
		return 0, err
	}
	for _, step := range trend.Steps {
		readings += step.Readings
	}
	return readings, nil
}

// What was read is there after a kill, in the form that replay reads.
func TestHistoryOutlivesAKill(t *testing.T) {
	t.Parallel()
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	dir := filepath.Join(t.TempDir(), "store")
	file := writeFleet(t, fmt.Sprintf("[store]\ndir = %q\n", dir)+fmt.Sprintf(fourFans, "tcp://127.0.0.1:"+field.port))
	first := startDaemon(t, file)
	before := 0
	eventually(t, func() (err error) {
		if before, err = first.kept("healthy"); err == nil && before < 3 {
			err = errors.New("nothing is kept yet")
		}
		return err
	})
	first.cmd.Process.Kill()
	first.cmd.Wait()

	second := startDaemon(t, file)
	eventually(t, func() error {
		n, err := second.kept("healthy")
		if err == nil && n <= before {
			err = fmt.Errorf("%d readings are kept; %d were before the kill", n, before)
		}
		return err
	})
	recording := filepath.Join(t.TempDir(), "healthy.csv")
	response, err := http.Get(fmt.Sprintf("%s/api/v1/fans/healthy/history.csv?to=%d", second.url, time.Now().Unix()+1))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := io.ReadAll(response.Body)
	if err = errors.Join(err, response.Body.Close(), os.WriteFile(recording, rows, 0o600)); err != nil {
		t.Fatal(err)
	}
	second.stop()
	if status, out, diagnostics := runCommand(t, "replay", "--config", file, recording); status != allWell {
		t.Errorf("replay: status %d\n%s%s\n%.500s", status, out, diagnostics, rows)
	}
}
