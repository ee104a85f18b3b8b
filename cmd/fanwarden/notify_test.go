package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// startMailServer serves mail by Debian's aiosmtpd.
func startMailServer(t *testing.T) *peer {
	t.Helper()
	const python = "/usr/bin/python3" // Debian's, which sees Debian's packages
	missing(t, "python3-aiosmtpd", exec.Command(python, "-c", "import aiosmtpd").Run())
	return startPeer(t, python, filepath.Join(peersDir, "smtp_server.py"), "notls")
}

// listener is a webhook that notes what it is told. It is out of order at first.
type listener struct {
	*httptest.Server
	mu     sync.Mutex
	calls  int
	beats  int
	signed int
	told   map[string]bool // fan and change
}

func (l *listener) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var m struct {
		Alarms []struct {
			Fan    struct{ ID string }
			Change string
		}
	}
	json.NewDecoder(r.Body).Decode(&m)
	if r.URL.Path == "/beat" {
		l.beats++
		return
	}
	if l.calls++; l.calls < 2 {
		http.Error(w, "out of order", http.StatusBadGateway)
		return
	}
	if strings.HasPrefix(r.Header.Get("X-Fanwarden-Signature"), "sha256=") {
		l.signed++
	}
	for _, a := range m.Alarms {
		l.told[a.Fan.ID+" "+a.Change] = true
	}
}

func (l *listener) all() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(slices.Sorted(maps.Keys(l.told)), ", ")
}

// Alarms leave the building by every way that takes them, though a receiver is
// out of order at first and the daemon is killed in between.
func TestAlarmsLeaveTheBuilding(t *testing.T) {
	t.Parallel()
	field, mail, hook := startPymodbus(t, "tcp"), startMailServer(t), &listener{told: make(map[string]bool)}
	hook.Server = httptest.NewServer(hook)
	defer hook.Close()
	setFourFans(field)
	dir := t.TempDir()
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("an invented secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(fourFans, "tcp://127.0.0.1:"+field.port)
	text = strings.Replace(text, "[web]\n", fmt.Sprintf(`[store]
dir = %q
[notify]
heartbeat = "%s/beat"
heartbeat_every = "10s"
[[notify.ways]]
id = "pager"
webhook = "%s/in"
secret_file = %q
severities = ["page", "ticket", "note"]
[[notify.ways]]
id = "desk"
to = ["desk@example.edu"]
from = "fanwarden@example.edu"
smtp = "localhost:%s"
starttls = false
severities = ["page", "ticket", "note"]
[web]
`, filepath.Join(dir, "store"), hook.URL, hook.URL, secret, mail.port), 1)
	file := writeFleet(t, text)

	first := startDaemon(t, file)
	want(t, "what stands", threeWrong, first.active)
	first.cmd.Process.Kill() // its messages are written, and nobody has them yet
	first.cmd.Wait()

	second := startDaemon(t, file)
	want(t, "what the webhook was told", "idle raised, inverted raised, pinned raised", hook.all)
	letters := ""
	for _, part := range []string{"Subject: north, inverted: pressure has the wrong sign", "To: <desk@example.edu>", "pinned", "idle"} {
		for !strings.Contains(letters, part) { // together, or the one that was found first in a letter of its own
			var letter struct{ Letter string }
			if err := json.Unmarshal([]byte(mail.line()), &letter); err != nil {
				t.Fatal(err)
			}
			letters += letter.Letter
		}
	}
	want(t, "messages that wait", "0", func() string { return second.metrics()["fanwarden_notifications_pending"] })
	hook.mu.Lock()
	if hook.beats == 0 || hook.signed == 0 {
		t.Errorf("%d heartbeats, %d messages signed", hook.beats, hook.signed)
	}
	hook.mu.Unlock()
	second.stop()
}

// Each way can be tried by hand; one that does not work says why.
func TestTell(t *testing.T) {
	t.Parallel()
	mail, hook := startMailServer(t), &listener{told: make(map[string]bool), calls: 9}
	hook.Server = httptest.NewServer(hook)
	defer hook.Close()
	file := writeFleet(t, strings.Replace(fmt.Sprintf(fourFans, "tcp://127.0.0.1:1"), "[web]\n", fmt.Sprintf(`[[notify.ways]]
id = "pager"
webhook = "%s/a-secret"
hours = ["mon"]
[[notify.ways]]
id = "desk"
to = ["desk@example.edu"]
from = "fanwarden@example.edu"
smtp = "localhost:%s"
starttls = false
[[notify.ways]]
id = "night"
webhook = "http://127.0.0.1:1/another-secret"
[web]
`, hook.URL, mail.port), 1))
	status, stdout, stderr := runCommand(t, "tell", "--config", file)
	if status != foundWrong || stderr != "" || strings.Contains(stdout, "secret") {
		t.Errorf("status %d, stderr %q", status, stderr)
	}
	for _, line := range []string{"pager        webhook at 127.0.0.1:", "desk         mail to desk@example.edu: taken\n", "night        webhook at 127.0.0.1:1: not taken: "} {
		if !strings.Contains(stdout, line) {
			t.Errorf("no line %q in:\n%s", line, stdout)
		}
	}
	if letter := mail.line(); !strings.Contains(letter, "Subject: Test of fanwarden: nothing is wrong") {
		t.Errorf("the letter is %s", letter)
	}
	if status, stdout, _ := runCommand(t, "tell", "--config", file, "--way", "pager"); status != allWell || !strings.HasSuffix(stdout, ": taken\n") {
		t.Errorf("status %d, %q", status, stdout)
	}
	if status, _, stderr := runCommand(t, "tell", "--config", file, "--way", "pagr"); status != couldNotRun || !strings.Contains(stderr, `did you mean "pager"?`) {
		t.Errorf("status %d, %q", status, stderr)
	}
}
