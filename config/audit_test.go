package config

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"fanwarden/poller/units"
)

// sound is a fleet file that the audit has nothing to say of; its one fan's
// keys come last, so that a test can add to them.
const sound = `
[pointmaps.rooftop.points]
pressure = { table = "input", address = 0, type = "int16", unit = "Pa" }
speed = { table = "input", address = 1, type = "uint16", unit = "%" }

[[buildings]]
id = "alder"

[[gateways]]
id = "alder-roof"
building = "alder"
url = "tcp://10.20.3.20"

[[fans]]
id = "ef1"
gateway = "alder-roof"
pointmap = "rooftop"
`

// warnings returns the audit's findings about sound with some text behind it.
func warnings(t *testing.T, more string) []Warning {
	t.Helper()
	fleet, faults := Parse("fleet.toml", []byte(sound+more), os.ReadFile)
	for _, f := range faults {
		t.Fatal(f)
	}
	return Audit(fleet)
}

func TestAuditOfTheWaysOut(t *testing.T) {
	const fan = "probe = \"suction\"\nsetpoint = \"-30 Pa\"\n[[buildings]]\nid = \"birch\"\nname = \"Birch Hall\"\n"
	const mail = "[[notify.ways]]\nid = \"desk\"\nto = \"kim@example.edu\"\nfrom = \"fans@example.edu\"\nsmtp = \"mail.example.edu\"\n"
	const hook = "[[notify.ways]]\nid = \"pager\"\nwebhook = \"http://%s/fans\"\nseverities = [\"page\", \"ticket\"]\n"
	for name, c := range map[string]struct {
		more string
		want []string
	}{
		"no way at all":                   {"", nil},
		"everything goes by mail":         {mail + `severities = ["page", "ticket"]`, nil},
		"tickets go nowhere":              {mail, []string{"no [[notify.ways]] takes a ticket of any building"}},
		"one building is heard by nobody": {mail + "severities = [\"page\", \"ticket\"]\nbuildings = [\"alder\"]", []string{"takes a page of Birch Hall", "takes a ticket of Birch Hall"}},
		"a building by day only, by both ways": {fmt.Sprintf(hook, "127.0.0.1") + "hours = \"mon-fri 07:00-19:00\"\n" + mail + "hours = \"sat,sun\"",
			[]string{"not signed", "a page of alder, Birch Hall from Mon 19:00 is told to nobody before Tue 07:00"}},
		"day and night by two ways": {mail + "severities = [\"page\", \"ticket\"]\nhours = \"18:00-07:00\"\n" +
			strings.Replace(mail, "desk", "day", 1) + "hours = \"07:00-18:00\"\n", nil},
		"in the clear and not signed": {fmt.Sprintf(hook, "hooks.example.edu"), []string{"in the clear", "not signed"}},
		"on this machine":             {fmt.Sprintf(hook, "127.0.0.1:8080"), []string{"not signed"}},
	} {
		t.Run(name, func(t *testing.T) {
			got := warnings(t, fan+c.more)
			if len(got) > 0 && len(c.want) == 0 {
				t.Fatalf("got %v", got)
			}
			for _, want := range c.want {
				if !strings.Contains(fmt.Sprint(got), want) {
					t.Errorf("got %v, want %q", got, want)
				}
			}
		})
	}
}

func TestAudit(t *testing.T) {
	const idle = "probe = \"suction\"\nsetpoint = \"-0.12 inH2O\"\nidle_below = \"20 %\"\n"
	const runs = "probe = \"suction\"\nsetpoint = \"-30 Pa\"\n"
	for _, c := range []struct {
		name, more string
		want       []string
	}{
		{"nothing to say", idle + `restart_rise = "0.18 inH2O"`, nil},
		{"restarts itself", idle + `restart_rise = "0.10 inH2O"`, []string{"starts again by itself"}},
		{"restarts at setpoint", idle + `restart_rise = "0.12 inH2O"`, []string{"margin under 0.02 in. w.g."}},
		{"thin margin", idle + `restart_rise = "0.13 inH2O"`, []string{"margin under 0.02 in. w.g."}},
		{"margin enough", idle + `restart_rise = "0.14 inH2O"`, nil},
		{"no restart rise", idle, []string{"nothing says how far the pressure must move"}},
		{"restart rise without idle", runs + `restart_rise = "60 Pa"`, []string{"taken never to go idle"}},
		{"discharge never restarts", "probe = \"discharge\"\nsetpoint = \"30 Pa\"\nidle_below = \"20 %\"\nrestart_rise = \"40 Pa\"", []string{"does not start again"}},
		{"discharge restarts itself", "probe = \"discharge\"\nsetpoint = \"30 Pa\"\nidle_below = \"20 %\"\nrestart_rise = \"20 Pa\"", []string{"starts again by itself"}},
		{"discharge", "probe = \"discharge\"\nsetpoint = \"30 Pa\"\nidle_below = \"20 %\"", []string{"whatever the demand"}},
		{"contact above", runs + "max_speed = \"75 %\"\nhigh_speed_at = \"80 %\"", []string{"it never does"}},
		{"contact below", runs + "min_speed = \"30 %\"\nhigh_speed_at = \"25 %\"", []string{"closed whenever the fan runs"}},
		{"contact within", runs + "high_speed_at = \"100 %\"", nil},
		{"override above", runs + "max_speed = \"75 %\"\noverride_speed = \"80 %\"", []string{"outside the speed range of 20 % to 75 %"}},
		{"override below", runs + "override_speed = \"10 %\"", []string{"outside the speed range"}},
		{"override stops", runs + "override_speed = \"0 %\"", nil},
		{"stopped at its lowest", runs + "min_speed = \"4 %\"", []string{"taken for stopped"}},
		{"setpoint beyond the probe", runs + "probe_range = \"-25..25 Pa\"", []string{"not within what the probe can read"}},
		{"restart beyond the probe", idle + "restart_rise = \"90 Pa\"\nprobe_range = \"-50..50 Pa\"", []string{"cannot read the restart point"}},
		{"gateway without fans", runs + "[[gateways]]\nid = \"spare\"\nbuilding = \"alder\"\nurl = \"udp://10.20.3.21\"", []string{`gateway "spare" has no fan`}},
		{"seen by others", runs + "[web]\nlisten = \":9640\"", []string{"without TLS", "nobody can log in"}},
		{"seen by this machine", runs + "[web]\nlisten = \"[::1]:9640\"", nil},
		{"life safety", runs + "life_safety = true\nduty = \"smoke_control\"", nil},
	} {
		t.Run(c.name, func(t *testing.T) { expectWarnings(t, warnings(t, c.more), c.want) })
	}
}

func expectWarnings(t *testing.T, got []Warning, want []string) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d warnings, want %d: %v", len(got), len(want), got)
	}
	for i, w := range got {
		if !strings.Contains(w.What, want[i]) || w.Remedy == "" {
			t.Errorf("%v, want %q", w, want[i])
		}
	}
}

func TestWarningNamesItsPlace(t *testing.T) {
	got := warnings(t, "probe = \"suction\"\nsetpoint = \"-30 Pa\"\noverride_speed = \"10 %\"\n")
	line := strings.Count(sound, "\n") + 3
	if len(got) != 1 || got[0].Fan != "ef1" || got[0].Line != line ||
		!strings.HasPrefix(got[0].String(), fmt.Sprintf("fleet.toml:%d: warning: fan \"ef1\": ", line)) {
		t.Errorf("%v", got)
	}
}

// Worked values of the stack effect's formula (ASHRAE Handbook, Fundamentals,
// chapter 16), computed by hand from it at standard pressure.
func TestStackEffect(t *testing.T) {
	f, _ := units.Find("F")
	in, _ := units.Find("inH2O")
	ft, _ := units.Find("ft")
	for _, c := range []struct {
		out, in, feet float64
		want, within  float64 // Pa
	}{
		{20, 70, 100, 37.4, 0.05},
		{0, 70, 300, 164, 0.5},
		{95, 75, 100, in.Base(-0.0515), in.Base(0.0001)},
	} {
		got := stackEffect(ft.Base(c.feet), f.Base(c.out), f.Base(c.in))
		if math.Abs(got-c.want) > c.within {
			t.Errorf("%v F outside, %v F inside, %v ft: %.2f Pa, want %v", c.out, c.in, c.feet, got, c.want)
		}
	}
}

func TestAuditOfDraught(t *testing.T) {
	const idle = "probe = \"suction\"\nsetpoint = \"-30 Pa\"\nidle_below = \"20 %\"\nrestart_rise = \"50 Pa\"\n"
	for _, c := range []struct {
		name, more string
		want       []string
	}{
		{"height not known", "reference = \"outdoor\"", nil},
		{"reference not known", "riser_height = \"300 ft\"", nil},
		{"low riser", "reference = \"outdoor\"\nriser_height = \"20 ft\"", nil},
		// 0/70 F, 100 ft: 54.7 Pa, above the restart point of 20 Pa.
		{"winter sets off", "reference = \"outdoor\"\nriser_height = \"100 ft\"", []string{"in winter", "set off"}},
		// The same draught is spent on the way to the probe: -54.7 Pa is past setpoint.
		{"winter holds off", "reference = \"indoor\"\nriser_height = \"100 ft\"", []string{"in winter", "hold off"}},
		// 300 ft: winter 164 Pa, summer -38.8 Pa.
		{"both, outdoor", "reference = \"outdoor\"\nriser_height = \"300 ft\"", []string{"in winter", "set off", "in summer", "hold off"}},
		{"both, indoor", "reference = \"indoor\"\nriser_height = \"300 ft\"", []string{"in winter", "hold off", "in summer", "set off"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := warnings(t, idle+c.more)
			if len(got) != len(c.want)/2 {
				t.Fatalf("%v", got)
			}
			for i, w := range got {
				for _, part := range append(c.want[2*i:2*i+2], "draught alone", "outside", "inside") {
					if !strings.Contains(w.What, part) {
						t.Errorf("%v, want %q", w, part)
					}
				}
			}
		})
	}
}

// Where less than the setpoint is drawn, what counts is whether branch fans can
// push the rest: 20 m in winter give 36 Pa, and the restart point is 45 Pa.
func TestDraughtThatBranchFansCannotOvercome(t *testing.T) {
	const idle = "probe = \"suction\"\nsetpoint = \"-60 Pa\"\nidle_below = \"20 %\"\nrestart_rise = \"105 Pa\"\n" +
		"reference = \"indoor\"\nriser_height = \"20 m\"\n"
	expectWarnings(t, warnings(t, idle), []string{"branch fans must push 80.9 Pa"})
	expectWarnings(t, warnings(t, idle+"[fans.rules.inverted_sign]\nbeyond_pushes = \"90 Pa\"\n"), nil)
}
