package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/rules/turnover"
)

// turnoverMap is how the controllers on the gateway keep their values.
const turnoverMap = `
[pointmaps.NAME]
protocol = "modbus"
[pointmaps.NAME.points]
pressure = {table = "input", address = 10, type = "int16", scale = 0.1, unit = "Pa"}
speed = {table = "input", address = 12, type = "uint16", scale = 0.1, unit = "%"}
high_speed = {table = "discrete", address = 3}
setpoint = {table = "holding", address = 20, type = "float32", order = "ABCD", scale = 1, unit = "Pa"}
min_speed = {table = "holding", address = 30, type = "uint16", scale = 1, unit = "%"}
`

// stand is a controller that the gateway stands in for, and the mistake that was
// made with it.
type stand struct {
	id       string
	unit     int
	asked    int               // the unit that the fleet file says, if another
	mistake  [2]string         // in the point map: what is replaced, and by what
	sign     float64           // of pressure and setpoint
	minSpeed int               // that the controller has
	closesAt float64           // where its contact closes
	inverted bool              // its contact is wired the other way round
	dead     bool              // its pressure stays 0
	phase    float64           // of its speed
	want     map[string]string // point: what its failure says
}

func stands() []*stand {
	all := []*stand{
		{id: "good"},
		{id: "swapped-words", mistake: [2]string{"ABCD", "CDAB"}, want: map[string]string{"setpoint": "as ABCD this is -31.7 Pa"}},
		{id: "lost-sign", mistake: [2]string{"int16", "uint16"}, want: map[string]string{"pressure": "if signed (int16)"}},
		{id: "scale-off-by-ten", mistake: [2]string{`scale = 0.1, unit = "Pa"`, `scale = 0.01, unit = "Pa"`}, want: map[string]string{"pressure": "times ten this is -"}},
		{id: "off-by-one", mistake: [2]string{"address = 10", "address = 11"}, want: map[string]string{"pressure": "and the value moves"}},
		{id: "wrong-unit", asked: 99, want: map[string]string{"pressure": "is unit 99 the right one", "speed": "is unit 99 the right one", "min_speed": "", "setpoint": "", "high_speed": ""}},
		{id: "contact-inverted", inverted: true, want: map[string]string{"high_speed": "inverted"}},
		{id: "threshold-wrong", closesAt: 0.5, want: map[string]string{"high_speed": "its threshold is lower than the fleet file says"}},
		{id: "probe-side-wrong", sign: 1, want: map[string]string{"pressure": "its probe is on the discharge side", "setpoint": "the same with the other sign"}},
		{id: "setting-changed", minSpeed: 35, want: map[string]string{"min_speed": "reads 35 %, and the fleet file says 20 %"}},
		{id: "dead-point", dead: true, want: map[string]string{"pressure": "did not move once in 2"}},
		{id: "duplicate-one", want: map[string]string{"speed": "together with duplicate-two", "pressure": "together with duplicate-two"}},
		{id: "duplicate-two", want: map[string]string{"speed": "together with duplicate-one", "pressure": "together with duplicate-one"}},
	}
	for i, s := range all {
		s.unit, s.phase = i+1, float64(i)
		if s.sign == 0 {
			s.sign = -1
		}
		if s.minSpeed == 0 {
			s.minSpeed = 20
		}
		if s.closesAt == 0 {
			s.closesAt = 0.6
		}
	}
	all[len(all)-1].phase = all[len(all)-2].phase
	return all
}

// write puts on the gateway what the controller holds at a time, in seconds.
func (s *stand) write(gateway *peer, at float64) {
	// It stands for three seconds at a time below, a little below and above where the
	// contacts close, as a contact is judged by speeds that stand.
	speed := [...]float64{0.45, 0.53, 0.72}[int(at+s.phase)/3%3] + 0.01*math.Sin(at/3+s.phase)
	pressure := s.sign * (31.7 + 0.9*math.Sin(7*at+s.phase))
	if s.dead {
		pressure = 0
	}
	closed := 0
	if (speed >= s.closesAt) != s.inverted {
		closed = 1
	}
	words := decode.Encoding{Type: decode.Float32, Scale: 1, Bit: decode.NoBit}.Encode(s.sign * 31.7)
	gateway.do("set %d input 10 %d", s.unit, uint16(int16(math.Round(pressure*10))))
	gateway.do("set %d input 12 %d", s.unit, uint16(math.Round(speed*1000)))
	gateway.do("set %d discrete 3 %d", s.unit, closed)
	if at == 0 {
		gateway.do("set %d input 11 0", s.unit)
		gateway.do("set %d holding 20 %d", s.unit, words[0])
		gateway.do("set %d holding 21 %d", s.unit, words[1])
		gateway.do("set %d holding 30 %d", s.unit, s.minSpeed)
	}
}

// turnoverFleet writes the fleet file of the stands, and two fans behind a gateway
// that repeats what it once read.
func turnoverFleet(t *testing.T, all []*stand, moving, frozen *peer) string {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "[fleet]\nname = \"Proving ground\"\nunits = \"metric\"\n[store]\ndir = \"\"\n[[buildings]]\nid = \"b\"\nname = \"B\"\n")
	for id, p := range map[string]*peer{"moving": moving, "frozen": frozen} {
		fmt.Fprintf(&b, "[[gateways]]\nid = %q\nbuilding = \"b\"\nurl = \"tcp://127.0.0.1:%s\"\n", id, p.port)
	}
	fan := func(id, gateway, pointmap string, unit int) {
		fmt.Fprintf(&b, "[[fans]]\nid = %q\ngateway = %q\nunit = %d\npointmap = %q\nprobe = \"suction\"\nsetpoint = \"-31.7 Pa\"\nmin_speed = \"20 %%\"\nhigh_speed_at = \"60 %%\"\n",
			id, gateway, unit, pointmap)
	}
	b.WriteString(strings.ReplaceAll(turnoverMap, "NAME", "right"))
	for _, s := range all {
		m, unit := "right", s.unit
		if s.mistake[0] != "" {
			m = s.id
			b.WriteString(strings.Replace(strings.ReplaceAll(turnoverMap, "NAME", m), s.mistake[0], s.mistake[1], 1))
		}
		if s.asked != 0 {
			unit = s.asked
		}
		fan(s.id, "moving", m, unit)
	}
	fan("frozen-one", "frozen", "right", 1)
	fan("frozen-two", "frozen", "right", 2)
	path := filepath.Join(t.TempDir(), "fleet.toml")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestTurnoverNamesEveryMistake plants the twelve mistakes that a handover is for
// on gateways of pymodbus, and wants each named at its fan and point, and nothing
// else to fail.
func TestTurnoverNamesEveryMistake(t *testing.T) {
	moving, frozen := startPymodbus(t, "tcp"), startPymodbus(t, "tcp")
	all := stands()
	for _, s := range all {
		s.write(moving, 0)
	}
	for unit := 1; unit <= 2; unit++ {
		(&stand{unit: unit, sign: -1, minSpeed: 20, closesAt: 0.6, phase: float64(unit)}).write(frozen, 0)
	}
	path := turnoverFleet(t, all, moving, frozen)
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		began := time.Now()
		for {
			select {
			case <-stop:
				return
			case <-time.After(400 * time.Millisecond):
				for _, s := range all {
					s.write(moving, max(time.Since(began).Seconds(), 0.001))
				}
			}
		}
	}()
	var out, diagnostics bytes.Buffer
	report := filepath.Join(t.TempDir(), "report")
	status := execute(context.Background(), &process{stdout: &out, stderr: &diagnostics}, []string{"turnover", "--config", path, "--for", "22s", "--report", report, "--by", "A. Person"})
	close(stop)
	<-ended
	t.Log("\n" + out.String() + diagnostics.String())
	if status != foundWrong {
		t.Errorf("status %d", status)
	}
	const repeats = "gateway frozen repeats old values"
	reported(t, report, len(all)+2)
	want := map[string]map[string]string{"frozen-one": {"pressure": repeats, "speed": repeats}, "frozen-two": {"pressure": repeats, "speed": repeats}}
	for _, s := range all {
		want[s.id] = s.want
	}
	for _, line := range strings.Split(out.String(), "\n") {
		words := strings.SplitN(line, " ", 4)
		if len(words) < 4 || line[0] == ' ' {
			continue
		}
		says, planted := want[words[0]][words[1]]
		switch {
		case planted && (words[2] != "fail" || !strings.Contains(words[3], says)):
			t.Errorf("%s\n  want a failure that says %q", line, says)
		case !planted && words[2] == "fail":
			t.Errorf("%s\n  and nothing is wrong with it", line)
		case words[0] == "good" && words[2] != "pass":
			t.Errorf("%s\n  and it is right", line)
		}
		delete(want[words[0]], words[1])
	}
	for fan, points := range want {
		for point := range points {
			t.Errorf("nothing was said of %s %s", fan, point)
		}
	}
}

// reported wants a page, a table and a sealed record of each fan.
func reported(t *testing.T, dir string, fans int) {
	t.Helper()
	for pattern, n := range map[string]int{"*.html": 1, "*.csv": 1, "*.json": fans, "*": fans + 2} {
		if found, _ := filepath.Glob(filepath.Join(dir, pattern)); len(found) != n {
			t.Errorf("%d files %s in the report, want %d", len(found), pattern, n)
		}
	}
	paths, _ := filepath.Glob(filepath.Join(dir, "*.json"))
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if r, err := turnover.ReadRecord(data); err != nil || r.Who != "A. Person" || len(r.Points) != 5 {
			t.Errorf("%s: %v", path, err)
		}
		if _, err := turnover.ReadRecord(bytes.Replace(data, []byte(`"fail"`), []byte(`"pass"`), 1)); bytes.Contains(data, []byte(`"fail"`)) && err == nil {
			t.Errorf("%s was changed, and that was not found", path)
		}
	}
}
