package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// prometheusServer is Debian's Prometheus, scraping one target every second.
type prometheusServer struct {
	t   *testing.T
	url string
}

func startPrometheus(t *testing.T, target string) *prometheusServer {
	t.Helper()
	program, err := exec.LookPath("prometheus")
	missing(t, "prometheus", err)
	dir := t.TempDir()
	config := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs:\n- job_name: fanwarden\n  static_configs:\n  - targets: [%q]\n", target)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	address := freeAddress(t)
	cmd := exec.Command(program, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+address, "--log.level=error")
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return &prometheusServer{t: t, url: "http://" + address}
}

// freeAddress returns a loopback address that nothing listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	return listener.Addr().String()
}

// query returns the value of an instant query that yields one sample, or what
// came instead.
func (p *prometheusServer) query(expression string) string {
	response, err := http.Get(p.url + "/api/v1/query?query=" + url.QueryEscape(expression))
	if err != nil {
		return err.Error()
	}
	defer response.Body.Close()
	var answer struct {
		Data struct {
			Result []struct{ Value [2]any }
		}
	}
	if err := json.NewDecoder(response.Body).Decode(&answer); err != nil {
		return err.Error()
	}
	if n := len(answer.Data.Result); n != 1 {
		return fmt.Sprintf("%d samples", n)
	}
	return fmt.Sprint(answer.Data.Result[0].Value[1])
}

func TestPrometheusScrapesTheDaemonAndAnswersWithTheRightValues(t *testing.T) {
	field := startLibmodbus(t)
	setFourFans(field)
	d := startDaemon(t, fleetOf(t, "tcp://127.0.0.1:"+field.port))
	p := startPrometheus(t, strings.TrimPrefix(d.url, "http://"))
	for expression, value := range map[string]string{
		`up{job="fanwarden"}`: "1",
		`fanwarden_pressure_pascals{building="north",fan="healthy"}`:                         "-31",
		`fanwarden_speed_ratio{building="north",fan="pinned"}`:                               "1",
		`fanwarden_fan_mode{fan="idle",mode="idle"}`:                                         "1",
		`sum(fanwarden_fan_mode{fan="idle"})`:                                                "1",
		`fanwarden_condition_active{gateway="roof",fan="pinned",condition="pinned_at_max"}`:  "1",
		`fanwarden_condition_active{gateway="roof",fan="healthy",condition="pinned_at_max"}`: "0",
		`count(fanwarden_condition_active == 1)`:                                             "3",
		`fanwarden_condition_active{gateway="roof",fan="",condition="gateway_down"}`:         "0",
		`count(fanwarden_polls_total{gateway="roof"})`:                                       "9",
		`fanwarden_polls_total{gateway="roof",outcome="timeout"}`:                            "0",
		`fanwarden_polls_total{gateway="roof",outcome="ok"} > bool 4`:                        "1",
		`rate(fanwarden_poll_duration_seconds_count{gateway="roof"}[30s]) > bool 1`:          "1",
		`time() - fanwarden_reading_timestamp_seconds{fan="healthy"} < bool 5`:               "1",
		`fanwarden_fan_info{fan="healthy"}`:                                                  "1",
		`fanwarden_config_last_reload_successful`:                                            "1",
		`fanwarden_build_info`: "1",
	} {
		want(t, expression, value, func() string { return p.query(expression) })
	}
	d.stop()
}
