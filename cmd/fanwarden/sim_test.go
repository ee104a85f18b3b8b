package main

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// runningSim is a `fanwarden sim` in a process of its own.
type runningSim struct {
	t        *testing.T
	cmd      *exec.Cmd
	training string // url of its own port
}

// startSim serves a fleet file and waits until it says where troubles can be
// put on.
func startSim(t *testing.T, file string) *runningSim {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	s := &runningSim{t: t, cmd: exec.Command(path, "sim", "--config", file, "--control", "127.0.0.1:0", "--seed", "3")}
	var diagnostics strings.Builder
	s.cmd.Stderr = &diagnostics
	stdout, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.cmd.Process.Kill() })
	for lines := bufio.NewScanner(stdout); lines.Scan(); {
		if _, rest, found := strings.Cut(lines.Text(), "Training port: "); found {
			s.training, _, _ = strings.Cut(rest, " ")
			return s
		}
	}
	s.cmd.Wait()
	t.Fatalf("the simulation ended: %s", diagnostics.String())
	return nil
}

// stop sends SIGTERM and wants status 0, which a race would spoil.
func (s *runningSim) stop() {
	s.t.Helper()
	s.cmd.Process.Signal(syscall.SIGTERM)
	if err := s.cmd.Wait(); err != nil {
		s.t.Errorf("after SIGTERM: %v", err)
	}
}

func (s *runningSim) call(method, path, contentType, body string, headers ...string) (status int, answer string) {
	s.t.Helper()
	request, err := http.NewRequest(method, s.training+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	if contentType != "" {
		request.Header.Set("Content-Type", contentType)
	}
	for i := 0; i < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
		if headers[i] == "Host" {
			request.Host = headers[i+1]
		}
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		s.t.Fatal(err)
	}
	defer response.Body.Close()
	var text strings.Builder
	if _, err := bufio.NewReader(response.Body).WriteTo(&text); err != nil {
		s.t.Fatal(err)
	}
	return response.StatusCode, text.String()
}

// freeURL returns the url of a port that nobody listens on.
func freeURL(t *testing.T) (url string, port int) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	port = listener.Addr().(*net.TCPAddr).Port
	return fmt.Sprintf("tcp://127.0.0.1:%d", port), port
}

// mbpoll reads one value with Debian's client on libmodbus; kind is its -t.
func mbpoll(t *testing.T, port, unit int, kind string, address int) (string, error) {
	t.Helper()
	out, err := exec.Command("mbpoll", "-m", "tcp", "-p", strconv.Itoa(port), "-a", strconv.Itoa(unit), "-t", kind,
		"-0", "-r", strconv.Itoa(address), "-c", "1", "-1", "127.0.0.1").CombinedOutput()
	found := regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindSubmatch(out)
	if err != nil || found == nil {
		return "", fmt.Errorf("mbpoll: %v: %s", err, out)
	}
	return string(found[1]), nil
}

// A libmodbus client reads from the simulation the very values that the daemon
// exports. The sensors are held still, so that both can see the same.
func TestMbpollReadsFromSimWhatTheDaemonExports(t *testing.T) {
	_, err := exec.LookPath("mbpoll")
	missing(t, "mbpoll", err)
	url, port := freeURL(t)
	file := fleetOf(t, url)
	s := startSim(t, file)
	for _, fan := range []string{"healthy", "pinned", "idle", "inverted"} {
		for kind, size := range map[string]string{"sensor_frozen": "0", "left_in_hand": "0.6"} {
			body := fmt.Sprintf(`{"fan": %q, "kind": %q, "size": %s}`, fan, kind, size)
			if status, answer := s.call("POST", "/faults", "application/json", body); status != http.StatusOK {
				t.Fatalf("%s: %d, %s", body, status, answer)
			}
		}
	}
	d := startDaemon(t, file)
	for i, fan := range []string{"healthy", "pinned", "idle", "inverted"} {
		for _, point := range []struct {
			metric, kind string
			address      int
			scale        float64
		}{
			{"fanwarden_pressure_pascals", "3", 0, 0.1},
			{"fanwarden_speed_ratio", "3", 1, 0.001},
			{"fanwarden_high_speed_contact", "1", 0, 1},
		} {
			series := fmt.Sprintf(`%s{building="north",fan="%s"}`, point.metric, fan)
			eventually(t, func() error {
				raw, err := mbpoll(t, port, i+1, point.kind, point.address)
				if err != nil {
					return err
				}
				number, err := strconv.Atoi(raw)
				if err != nil {
					return err
				}
				read := float64(int16(number)) * point.scale
				exported, err := strconv.ParseFloat(d.metrics()[series], 64)
				if err != nil || fmt.Sprintf("%.6g", exported) != fmt.Sprintf("%.6g", read) {
					return fmt.Errorf("%s is %q, mbpoll reads %q, %.6g", series, d.metrics()[series], raw, read)
				}
				return nil
			})
		}
	}
	d.stop()
	s.stop()
}

func TestTroublesArePutOnWhileItRuns(t *testing.T) {
	url, _ := freeURL(t)
	file := fleetOf(t, url)
	s := startSim(t, file)
	d := startDaemon(t, file)
	up := func() string { return d.metrics()[`fanwarden_fan_up{building="north",fan="idle"}`] }
	want(t, "fan_up of the fan that is to fall silent", "1", up)
	if status, answer := s.call("PUT", "/faults", "application/json", `{"fan": "idle", "kind": "silent_unit", "for": "20m"}`); status != http.StatusOK {
		t.Fatalf("%d, %s", status, answer)
	}
	if _, answer := s.call("GET", "/faults", "", ""); !strings.Contains(answer, `"kind": "silent_unit"`) || !strings.Contains(answer, `"on": true`) {
		t.Errorf("the list is %s", answer)
	}
	want(t, "fan_up of the silent fan", "0", up)
	if status, answer := s.call("DELETE", "/faults?fan=idle&kind=silent_unit", "", ""); status != http.StatusOK {
		t.Errorf("%d, %s", status, answer)
	}
	want(t, "fan_up of the fan that is heard again", "1", up)
	d.stop()
	s.stop()
}

func TestTheTrainingPortSaysWhatIsWrong(t *testing.T) {
	url, _ := freeURL(t)
	s := startSim(t, fleetOf(t, url))
	const json, good = "application/json", `{"fan": "idle", "kind": "motor_off"}`
	for _, test := range []struct {
		method, path, contentType, body string
		headers                         []string
		status                          int
		says                            string
	}{
		{"GET", "/kinds", "", "", nil, http.StatusOK, "motor_off"},
		{"GET", "/", "", "", nil, http.StatusOK, s.training + "/faults"},
		{"GET", "/nothing", "", "", nil, http.StatusNotFound, ""},
		{"POST", "/faults", "text/plain", good, nil, http.StatusUnsupportedMediaType, "Content-Type: application/json"},
		{"POST", "/faults", json + "; charset=utf-8", good + good, nil, http.StatusBadRequest, "something follows the trouble"},
		{"DELETE", "/faults?fan=idle", "", "", nil, http.StatusBadRequest, "name the kind of trouble as kind"},
		{"POST", "/faults", json, `{"fan": `, nil, http.StatusBadRequest, "cannot be read"},
		{"POST", "/faults", json, `{"fan": "idle", "knd": "motor_off"}`, nil, http.StatusBadRequest, `unknown field`},
		{"POST", "/faults", json, `{"kind": "motor_off"}`, nil, http.StatusBadRequest, "name one fan or one gateway"},
		{"POST", "/faults", json, `{"fan": "idle", "kind": "motor_of"}`, nil, http.StatusBadRequest, "GET /kinds"},
		{"POST", "/faults", json, `{"gateway": "roof", "kind": "motor_off"}`, nil, http.StatusBadRequest, "is a trouble of a fan"},
		{"POST", "/faults", json, `{"fan": "idle", "kind": "left_in_hand", "size": 5}`, nil, http.StatusBadRequest, "takes a size of 0.001 to 1, not 5"},
		{"POST", "/faults", json, `{"fan": "nobody", "kind": "motor_off"}`, nil, http.StatusBadRequest, "nobody"},
		{"POST", "/faults", json, `{"fan": "idle", "kind": "motor_off", "for": "long"}`, nil, http.StatusBadRequest, "90s, 20m or 1h30m"},
		{"POST", "/faults", json, good, []string{"Origin", "http://elsewhere.example"}, http.StatusForbidden, "another site"},
		{"POST", "/faults", json, good, []string{"Sec-Fetch-Site", "cross-site"}, http.StatusForbidden, "another site"},
		{"GET", "/faults", "", "", []string{"Host", "elsewhere.example"}, http.StatusForbidden, "elsewhere.example"},
		{"DELETE", "/faults?fan=idle&kind=motor_off", "", "", nil, http.StatusNotFound, "has no trouble of kind motor_off"},
		{"GET", "/faults", "", "", nil, http.StatusOK, "[]"}, // nothing of the above was done
	} {
		status, answer := s.call(test.method, test.path, test.contentType, test.body, test.headers...)
		if status != test.status || !strings.Contains(answer, test.says) {
			t.Errorf("%s %s %s %s %q: %d, %s; want %d and %q", test.method, test.path, test.contentType, test.body, test.headers,
				status, answer, test.status, test.says)
		}
	}
	s.stop()
}

func TestSimSaysWhyItCannotServe(t *testing.T) {
	far := fleetOf(t, "tcp://192.0.2.1:502")
	url, _ := freeURL(t)
	near := fleetOf(t, url)
	for _, test := range []struct {
		args []string
		want string
	}{
		{[]string{"sim", "--config", far}, "no gateway has a url on the loopback"},
		{[]string{"sim", "--config", near, "--control", "0.0.0.0:9641"}, "write an address of this machine"},
		{[]string{"sim"}, "--config is missing"},
	} {
		if status, _, stderr := runCommand(t, test.args...); status != couldNotRun || !strings.Contains(stderr, test.want) {
			t.Errorf("%q: status %d, %s", test.args, status, stderr)
		}
	}
	if status, _, stderr := runCommand(t, "sim", "--help"); status != allWell || !strings.Contains(stderr, "/faults?fan=ID&kind=motor_off") {
		t.Errorf("help: status %d, %s", status, stderr)
	}
}
