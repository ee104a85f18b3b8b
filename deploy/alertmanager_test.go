package deploy_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// labels are those of an alert; message is what Alertmanager sends to a webhook.
type (
	labels  map[string]string
	message struct {
		Status   string
		Receiver string
		Labels   labels `json:"groupLabels"`
		Alerts   []struct{ Labels labels }
	}
)

func TestAlertmanager(t *testing.T) {
	amtool := tool(t, "amtool", "prometheus-alertmanager")
	const config = "alertmanager.yml"
	if out, err := exec.Command(amtool, "check-config", config).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	for severity, receiver := range map[string]string{"page": "pages", "ticket": "tickets"} {
		out, err := exec.Command(amtool, "config", "routes", "test", "--config.file="+config,
			"--verify.receivers="+receiver, "severity="+severity).CombinedOutput()
		if err != nil {
			t.Errorf("%s: %v\n%s", severity, err, out)
		}
	}
	for _, source := range []string{"GatewayDown", "GatewayLineSilent", "GatewayRepeatsOldData", "GatewayUnread",
		"FanwardenDown", "FanwardenAbsent"} {
		if !strings.Contains(read(t, rulesFile), "alert: "+source+"\n") || !strings.Contains(read(t, config), source) {
			t.Errorf("%s silences others, and is not both an alert and named by %s", source, config)
		}
	}
}

// alertmanager runs Alertmanager by the file of this folder, with its receivers
// at a server of the test, quick, and at work at the times given. It returns how
// to post alerts and what it sends.
func alertmanager(t *testing.T, times string) (post func(...labels), sent <-chan message) {
	t.Helper()
	program := tool(t, "prometheus-alertmanager", "prometheus-alertmanager")
	messages := make(chan message, 100)
	receiver := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m message
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			t.Error(err)
		}
		messages <- m
	}))
	t.Cleanup(receiver.Close)

	config := read(t, "alertmanager.yml")
	for old, now := range map[string]string{
		"http://127.0.0.1:9099": receiver.URL,
		"group_wait: 30s":       "group_wait: 1s",
		"group_interval: 5m":    "group_interval: 1s",
		`      - weekdays: ["monday:friday"]
        times: [{start_time: "07:00", end_time: "17:00"}]
        location: America/Chicago
`: times,
	} {
		if !strings.Contains(config, old) {
			t.Fatalf("alertmanager.yml does not hold %q", old)
		}
		config = strings.ReplaceAll(config, old, now)
	}
	dir := t.TempDir()
	write(t, filepath.Join(dir, "alertmanager.yml"), config)
	address := freeAddress(t)
	ctx, stop := context.WithCancel(context.Background())
	run := exec.CommandContext(ctx, program, "--config.file="+filepath.Join(dir, "alertmanager.yml"),
		"--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--cluster.listen-address=")
	var out bytes.Buffer
	run.Stdout, run.Stderr = &out, &out
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); _ = run.Wait() })
	await(t, "http://"+address+"/-/ready")
	return func(alerts ...labels) { postAlerts(t, "http://"+address+"/api/v2/alerts", alerts) }, messages
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// await asks until the program answers.
func await(t *testing.T, url string) {
	t.Helper()
	late := time.After(20 * time.Second)
	for tick := time.NewTicker(50 * time.Millisecond); ; {
		if answer, err := http.Get(url); err == nil {
			answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return
			}
		}
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("%s does not answer", url)
		}
	}
}

// over, as a label, says that the alert has ended; it is not sent as one.
const over = "over"

func postAlerts(t *testing.T, url string, alerts []labels) {
	t.Helper()
	type alert struct {
		Labels labels    `json:"labels"`
		EndsAt time.Time `json:"endsAt"`
	}
	var body []alert
	for _, l := range alerts {
		ends := time.Now().Add(time.Hour)
		if l[over] != "" {
			ends = time.Now()
			delete(l, over)
		}
		body = append(body, alert{l, ends})
	}
	content, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.Post(url, "application/json", bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if said, _ := io.ReadAll(answer.Body); answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s", answer.Status, said)
	}
}

// next is the next message, or the end of the test.
func next(t *testing.T, sent <-chan message) message {
	t.Helper()
	select {
	case m := <-sent:
		return m
	case <-time.After(20 * time.Second):
		t.Fatal("no message came")
		return message{}
	}
}

func ofFan(alert, building string, n int, severity string) labels {
	return labels{"alertname": alert, "building": building, "gateway": building + "-roof",
		"fan": fmt.Sprintf("%s-ef%d", building, n), "condition": "x", "severity": severity}
}

func fortyFans(building, severity string) []labels {
	var all []labels
	for n := range 40 {
		all = append(all, ofFan("FanControllerSilent", building, n+1, severity))
	}
	return all
}

const always = "      - years: [\"2000:2999\"]\n"

// Forty fans of a gateway are one message; behind a gateway that is down there is
// none of them, but its own.
func TestAlertmanagerTellsFortyFansOnce(t *testing.T) {
	t.Parallel()
	post, sent := alertmanager(t, always)
	post(labels{"alertname": "GatewayDown", "building": "alder", "gateway": "alder-roof", "condition": "gateway_down", "severity": "page"})
	first := next(t, sent)
	if first.Receiver != "pages" || len(first.Alerts) != 1 {
		t.Errorf("%+v", first)
	}
	post(fortyFans("alder", "page")...)
	post(fortyFans("birch", "ticket")...)
	second := next(t, sent)
	if second.Receiver != "tickets" || len(second.Alerts) != 40 || second.Labels["building"] != "birch" || second.Labels["gateway"] != "birch-roof" {
		t.Errorf("%d alerts to %s of %v", len(second.Alerts), second.Receiver, second.Labels)
	}
	// What comes last is heard, and nothing before it was of the silenced fans.
	post(ofFan("FanHunting", "cedar", 1, "page"))
	third := next(t, sent)
	if third.Labels["building"] != "cedar" {
		t.Errorf("%d alerts of %v", len(third.Alerts), third.Labels)
	}
}

// The more urgent of two silences the other, of the same fan only.
func TestAlertmanagerTellsTheMoreUrgent(t *testing.T) {
	t.Parallel()
	post, sent := alertmanager(t, always)
	post(ofFan("FanHunting", "alder", 1, "page"))
	if m := next(t, sent); m.Receiver != "pages" {
		t.Errorf("%+v", m)
	}
	post(ofFan("FanHunting", "alder", 1, "ticket"), ofFan("FanHunting", "alder", 2, "ticket"))
	m := next(t, sent)
	if m.Receiver != "tickets" || len(m.Alerts) != 1 || m.Alerts[0].Labels["fan"] != "alder-ef2" {
		t.Errorf("%+v", m)
	}
}

// Outside working hours a ticket waits, and a page does not.
func TestAlertmanagerKeepsTicketsUntilMorning(t *testing.T) {
	t.Parallel()
	post, sent := alertmanager(t, "      - years: [\"2000\"]\n")
	post(ofFan("FanHunting", "alder", 1, "ticket"))
	post(ofFan("FanMovesNoAir", "birch", 1, "page"))
	if m := next(t, sent); m.Receiver != "pages" {
		t.Errorf("%+v", m)
	}
	post(ofFan("FanMovesNoAir", "cedar", 1, "page")) // a group's wait later
	if m := next(t, sent); m.Receiver != "pages" {
		t.Errorf("%+v", m)
	}
}

// When the daemon goes, Prometheus soon takes its alerts to have ended. Nobody
// is told that a fan is well.
func TestAlertmanagerTellsNobodyThatAFanIsWellWhenTheDaemonIsGone(t *testing.T) {
	t.Parallel()
	post, sent := alertmanager(t, always)
	fan := func(instance string, n int) labels {
		l := ofFan("FanHunting", "alder", n, "page")
		l["instance"], l["gateway"] = instance, instance
		return l
	}
	post(fan("a", 1))
	next(t, sent)
	post(fan("b", 2))
	next(t, sent)
	post(labels{"alertname": "FanwardenDown", "instance": "a", "severity": "page"})
	if m := next(t, sent); m.Labels["gateway"] != "" {
		t.Errorf("%+v", m)
	}
	gone, well := fan("a", 1), fan("b", 2)
	gone[over], well[over] = "yes", "yes"
	post(gone)
	// Of the other daemon it is told, in time for the first to have been.
	post(labels{"alertname": "FanwardenStoreDown", "instance": "b", "severity": "page"})
	if m := next(t, sent); m.Labels["gateway"] != "" {
		t.Errorf("%+v", m)
	}
	post(well)
	if m := next(t, sent); m.Status != "resolved" || m.Labels["gateway"] != "b" {
		t.Errorf("%+v", m)
	}
}
