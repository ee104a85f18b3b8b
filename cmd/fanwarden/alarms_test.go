package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
)

// userKim is the hash of kimsPassword, as `fanwarden hash` makes it.
const (
	userKim      = "$2a$12$dwJX7uz.7e22PZACIhqa9uxXN7msyOm8/n/fbybOxN14wZSNMG8bG"
	kimsPassword = "correct horse battery"
)

// act posts to the daemon, as kim or as nobody.
func (d *runningDaemon) act(path, body string, login bool) (status int, answer string) {
	d.t.Helper()
	request, err := http.NewRequest(http.MethodPost, d.url+path, strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/json")
	return d.send(request, login)
}

func (d *runningDaemon) send(request *http.Request, login bool) (status int, answer string) {
	d.t.Helper()
	if login {
		request.SetBasicAuth("kim", kimsPassword)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		d.t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return response.StatusCode, string(text)
}

// alarms returns the state of every alarm by fan.
func (d *runningDaemon) alarms() (states, ids map[string]string) {
	d.t.Helper()
	_, body := d.get("/api/v1/alarms?state=all")
	var answer struct {
		Alarms []struct{ ID, Fan, State string }
	}
	if err := json.Unmarshal([]byte(body), &answer); err != nil {
		d.t.Fatalf("%v in %s", err, body)
	}
	states, ids = make(map[string]string), make(map[string]string)
	for _, a := range answer.Alarms {
		states[a.Fan], ids[a.Fan] = a.State, a.ID
	}
	return states, ids
}

// Alarms are handled over HTTP by who has a login, and what was done with them
// outlives a kill.
func TestAlarmsAreHandledAndKept(t *testing.T) {
	t.Parallel()
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	text := fmt.Sprintf(fourFans, "tcp://127.0.0.1:"+field.port)
	text = strings.Replace(text, "[web]\n", fmt.Sprintf("[store]\ndir = %q\n[web]\nusers = {kim = %q}\n", filepath.Join(t.TempDir(), "store"), userKim), 1)
	file := writeFleet(t, text)

	first := startDaemon(t, file)
	want(t, "what stands", threeWrong, first.active)
	states, ids := first.alarms()
	if fmt.Sprint(states) != "map[idle:unacknowledged inverted:unacknowledged pinned:unacknowledged]" {
		t.Fatalf("alarms are %v", states)
	}
	acknowledge := "/api/v1/alarms/" + ids["idle"] + "/acknowledge"
	if status, body := first.act(acknowledge, `{"note": "on my way"}`, false); status != http.StatusUnauthorized {
		t.Errorf("without a login: %d %s", status, body)
	}
	for path, body := range map[string]string{
		acknowledge: `{"note": "on my way"}`,
		"/api/v1/alarms/" + ids["pinned"] + "/shelve": `{"for": "48h", "reason": "belt ordered"}`,
		"/api/v1/fans/inverted/out_of_service":        `{"reason": "tubes are being changed"}`,
	} {
		if status, answer := first.act(path, body, true); status/100 != 2 {
			t.Errorf("%s: %d %s", path, status, answer)
		}
	}
	want(t, "what stands", "idle stuck_idle, pinned pinned_at_max", first.active) // a fan out of service is not judged
	if up := first.metrics()["fanwarden_store_up"]; up != "1" {
		t.Errorf("fanwarden_store_up is %q", up)
	}
	copied, err := http.NewRequest(http.MethodGet, first.url+"/api/v1/backup", nil)
	if err != nil {
		t.Fatal(err)
	}
	if status, body := first.send(copied, true); status != http.StatusOK || len(body) < 4096 {
		t.Errorf("backup: %d, %d bytes", status, len(body))
	}
	first.cmd.Process.Kill()
	first.cmd.Wait()

	second := startDaemon(t, file)
	want(t, "what stands", "idle stuck_idle, pinned pinned_at_max", second.active)
	if states, _ := second.alarms(); states["idle"] != "acknowledged" || states["pinned"] != "unacknowledged" {
		t.Errorf("after the kill alarms are %v", states)
	}
	_, journal := second.get("/api/v1/journal")
	for _, want := range []string{"on my way", "belt ordered", "tubes are being changed", "kim"} {
		if !strings.Contains(journal, want) {
			t.Errorf("the journal does not have %q: %s", want, journal)
		}
	}
	second.stop()
}
