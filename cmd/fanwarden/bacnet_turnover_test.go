package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/rules/turnover"
)

// objectMap is how the fans of the peer keep their values.
const objectMap = `
[pointmaps.NAME]
protocol = "bacnet"
[pointmaps.NAME.points]
pressure = {object = "analog-input,1", unit = "Pa"}
speed = {object = "analog-output,1", unit = "%"}
high_speed = {object = "binary-input,1"}
proof = {object = "binary-input,2"}
setpoint = {object = "analog-value,1", unit = "Pa"}
min_speed = {object = "analog-value,2", unit = "%"}
run_on = {object = "analog-value,4", unit = "s"}
force_speed = {object = "analog-output,1", unit = "%", priority = 10}
`

// commissioned is a fan of the peer, and the mistake that was made with it.
type commissioned struct {
	id      string
	device  int
	mistake [2]string // in the point map: what is replaced, and by what
	field   string    // a command to the peer, for DEVICE
	want    map[string]string
}

func (c *commissioned) pointmap() string {
	if c.mistake[0] == "" {
		return "right"
	}
	return c.id
}

// objectFleet writes the fleet file of fans behind the doorway of a peer.
func objectFleet(t *testing.T, p *peer, dir string, all []*commissioned) string {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "[fleet]\nname = \"Proving ground\"\nunits = \"metric\"\n[store]\ndir = %q\n[[buildings]]\nid = \"b\"\n", dir)
	fmt.Fprintf(&b, "[[gateways]]\nid = \"roof\"\nbuilding = \"b\"\nurl = \"bacnet://127.0.0.1:%s\"\ntimeout = \"200ms\"\n", p.port)
	b.WriteString(strings.ReplaceAll(objectMap, "NAME", "right"))
	for _, c := range all {
		if c.mistake[0] != "" {
			text := strings.ReplaceAll(objectMap, "NAME", c.id)
			if !strings.Contains(text, c.mistake[0]) {
				t.Fatalf("the map has no %q", c.mistake[0])
			}
			b.WriteString(strings.Replace(text, c.mistake[0], c.mistake[1], 1))
		}
		fmt.Fprintf(&b, "[[fans]]\nid = %q\ngateway = \"roof\"\nunit = %d\npointmap = %q\nprobe = \"suction\"\nsetpoint = \"-45 Pa\"\nmin_speed = \"20 %%\"\nrun_on = \"90s\"\n"+
			"idle_below = \"20 %%\"\nrestart_rise = \"60 Pa\"\nhigh_speed_at = \"60 %%\"\nhigh_speed_off_at = \"55 %%\"\nduty = \"bath\"\nallow_exercise = true\nabort_pressure = \"-900 Pa\"\n",
			c.id, c.device, c.pointmap())
	}
	return writeFleet(t, b.String())
}

// TestTurnoverOfObjects proves fans of another stack: those that are right have a
// clean record, read by many properties at a time or by one, and every mistake is
// named at its fan and point.
func TestTurnoverOfObjects(t *testing.T) {
	t.Parallel()
	all := []*commissioned{
		{id: "right"},
		{id: "singly", field: "multiple DEVICE no"},
		{id: "wrong-unit", mistake: [2]string{`"analog-input,1", unit = "Pa"`, `"analog-input,1", unit = "inH2O"`},
			want: map[string]string{"pressure": `states Pa, and the point map reads it as inH2O; write unit = "Pa" and scale = 1`}},
		{id: "wrong-object", mistake: [2]string{`"analog-input,1"`, `"analog-input,2"`}, want: map[string]string{"pressure": "states W, which is no unit of pressure: this is another object"}},
		{id: "no-object", mistake: [2]string{`"analog-value,4"`, `"analog-value,40"`}, want: map[string]string{"run_on": "has no object analog-value,40"}},
		{id: "neighbour", mistake: [2]string{`"analog-value,2"`, `"analog-value,3"`}, want: map[string]string{"min_speed": "one instance lower this is 20 %"}},
		{id: "contact-inverted", mistake: [2]string{`"binary-input,1"`, `"binary-input,1", invert = true`}, want: map[string]string{"high_speed": "inverted"}},
		{id: "pinned-flag", field: "flags DEVICE analog-input,1 overridden", want: map[string]string{"pressure": "is overridden at the device"}},
		{id: "unreliable", field: "set DEVICE binary-input,2 reliability 4", want: map[string]string{"proof": "its reliability is: open loop"}},
		{id: "setting-changed", field: "set DEVICE analog-value,4 present-value 30", want: map[string]string{"run_on": "reads 30 s, and the fleet file says 90 s"}},
		{id: "silent", field: "silent DEVICE yes", want: map[string]string{"pressure": "right device instance", "speed": "", "high_speed": "", "proof": "", "setpoint": "", "min_speed": "", "run_on": ""}},
	}
	p := startBACnet(t)
	for i, c := range all {
		c.device = 1201 + i
		p.do("fan %d phase=%d", c.device, i)
		if c.field != "" {
			p.do("%s", strings.Replace(c.field, "DEVICE", fmt.Sprint(c.device), 1))
		}
	}
	report := filepath.Join(t.TempDir(), "report")
	status, out, stderr := runCommand(t, "turnover", "--config", objectFleet(t, p, "", all), "--for", "20s", "--report", report, "--by", "A. Person")
	if t.Log("\n" + out + stderr); status != foundWrong {
		t.Errorf("status %d", status)
	}
	wanted := make(map[string]map[string]string)
	for _, c := range all {
		wanted[c.id] = c.want
	}
	wantProofs(t, out, wanted, "right", "singly")
	cleanRecord(t, report)
	for _, c := range all {
		multiple, single, writes := p.asked(c.device)
		if (multiple > 2) != (c.id != "singly" && c.id != "silent") || (single > 20) != (c.id == "singly") || writes != 0 {
			t.Errorf("%s was asked %d times for many and %d times for one, and written to %d times", c.id, multiple, single, writes)
		}
	}
}

// wantProofs wants what is said of each fan and point to fail, nothing else, and of
// the clean fans that everything which moves passes.
func wantProofs(t *testing.T, out string, wanted map[string]map[string]string, clean ...string) {
	t.Helper()
	left := 0
	for _, points := range wanted {
		left += len(points)
	}
	for _, line := range strings.Split(out, "\n") {
		words := strings.SplitN(line, " ", 4)
		if len(words) < 4 || line[0] == ' ' {
			continue
		}
		says, planted := wanted[words[0]][words[1]]
		switch {
		case planted && (words[2] != "fail" || !strings.Contains(words[3], says)):
			t.Errorf("%s\n  want a failure that says %q", line, says)
		case !planted && words[2] == "fail":
			t.Errorf("%s\n  and nothing is wrong with it", line)
		}
		for _, id := range clean {
			if words[0] == id && words[2] != "pass" && words[1] != "proof" && words[1] != "force_speed" {
				t.Errorf("%s\n  and it is right", line)
			}
		}
		if planted {
			left--
		}
	}
	if left != 0 {
		t.Errorf("of %d planted failures nothing was said", left)
	}
}

// cleanRecord wants sealed records that show objects, and the right fan's without a
// failure.
func cleanRecord(t *testing.T, report string) {
	t.Helper()
	paths, _ := filepath.Glob(filepath.Join(report, "*.json"))
	if len(paths) == 0 {
		t.Error("no record was written")
	}
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := turnover.ReadRecord(data)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		for _, p := range r.Points {
			if p.Object == nil || p.Object.Object == "" || p.Register != "" {
				t.Errorf("%s %s lies at %+v, %q", r.Fan.ID, p.Point, p.Object, p.Register)
			}
		}
		if r.Fan.ID == "right" && r.Verdict() == turnover.Fail {
			t.Errorf("the record of %s failed", r.Fan.ID)
		}
	}
}

// TestExerciseOfObjects forces a fan of another stack at priority 10, with a datagram
// in ten lost; a second one is left forced by kill -9, said so, and released.
func TestExerciseOfObjects(t *testing.T) {
	t.Parallel()
	p := startBACnet(t)
	all := []*commissioned{{id: "one", device: 1201}, {id: "two", device: 1202}}
	for _, c := range all {
		p.do("fan %d closes=0.6", c.device)
	}
	p.do("lose 0.1")
	g := &ground{T: t, dir: filepath.Join(t.TempDir(), "store")}
	g.file = objectFleet(t, p, g.dir, all)
	c := bacnetClient(t, p)
	at10 := bacnet.Reference{Object: bacnet.ObjectID{Type: bacnet.AnalogOutput, Instance: 1}, Property: bacnet.PriorityArray, Indexed: true, Index: 10}
	held := func(device uint32) bool {
		t.Helper()
		v, err := c.Read(t.Context(), device, at10)
		if err != nil {
			t.Fatal(err)
		}
		return v[0].Type != bacnet.Null
	}

	x := g.exercise("one")
	x.await("one: forcing 60 %")
	if !held(1201) || held(1202) {
		t.Error("not the one fan that is exercised is commanded at priority 10")
	}
	x.ends(allWell, "exercise of one", "speed as forced: pass", "response: pass", "contact: pass", "limits: pass", "release: pass")
	if held(1201) {
		t.Error("the fan was left forced")
	}

	x = g.exercise("two")
	x.await("two: forcing 40 %")
	x.cmd.Process.Kill()
	x.cmd.Wait()
	if !held(1202) {
		t.Fatal("kill -9 gave the fan back")
	}
	_, _, says := runCommand(t, "check", "--config", g.file)
	_, command, found := strings.Cut(says, "give it back with: ")
	command, _, _ = strings.Cut(command, "\n")
	if !found || !strings.Contains(says, "two MAY STILL BE FORCED") {
		t.Fatalf("check says %q", says)
	}
	path, _ := binary()
	if out, err := exec.Command("sh", "-c", strings.Replace(command, "fanwarden", path, 1)).CombinedOutput(); err != nil || !strings.Contains(string(out), "given back, and it says so") {
		t.Errorf("%s: %v\n%s", command, err, out)
	}
	if held(1202) {
		t.Error("the fan was not released")
	}
}

// TestPointsOfObjects shows the objects of another stack's fans with what they say of
// themselves; a device that is silent is waited for once.
func TestPointsOfObjects(t *testing.T) {
	t.Parallel()
	p := startBACnet(t)
	all := []*commissioned{{id: "right"}, {id: "other-unit", mistake: [2]string{`"analog-input,1", unit = "Pa"`, `"analog-input,1", unit = "hPa"`}}, {id: "silent"}}
	for i, c := range all {
		c.device = 1201 + i
		p.do("fan %d", c.device)
		p.do("mode %d still", c.device)
		p.do("set %d analog-input,1 present-value -45.5", c.device)
	}
	p.do("set 1201 binary-input,1 polarity 1")
	p.do("flags 1201 binary-input,2 out-of-service")
	p.do("silent 1203 yes")
	file := objectFleet(t, p, "", all)
	status, out, stderr := runCommand(t, "points", "--config", file, "--fan", "right")
	if status != foundWrong {
		t.Errorf("status %d, %s", status, stderr)
	}
	shows(t, out, `^POINT +DEVICE OBJECT +RAW `, `^pressure +1201 analog-input,1 +-45\.5 real +-45\.5 Pa +-45\.5 Pa +good +now$`, `^ +the device says +no flags, in Pa$`,
		`^ +the device says +no flags, polarity reverse, turned by the device already$`, `^proof +1201 binary-input,2 +1 enumerated +out of service +now$`,
		`^min_speed +1201 analog-value,2 +20 real`, `^ +one instance higher +100 %$`)
	if _, out, _ = runCommand(t, "points", "--config", file, "--fan", "other-unit"); true {
		shows(t, out, `^pressure +1202 analog-input,1 +-45\.5 real +another unit +now$`, `in Pa, WHICH IS NOT THE POINT MAP'S: .*device_unit = "Pa"$`, `^ +in Pa +-45\.5 Pa$`)
	}
	began := time.Now()
	if status, out, _ = runCommand(t, "points", "--config", file, "--fan", "silent"); status != foundWrong || strings.Count(out, "no answer in time") != 7 {
		t.Errorf("status %d\n%s", status, out)
	}
	if took := time.Since(began); took > 10*time.Second { // four tries of 200 ms to find it, and seven times as long if each point waited
		t.Errorf("a silent device took %s", took)
	}
}
