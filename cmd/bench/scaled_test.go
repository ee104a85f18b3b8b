package main

import (
	"math"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestShareOfStartsBetweenTwoLooks(t *testing.T) {
	inf := math.Inf(1)
	before := map[float64]float64{0.01: 100, 0.05: 100, 0.1: 100, inf: 100}
	for _, test := range []struct {
		after map[float64]float64
		share float64
		want  float64
	}{
		{map[float64]float64{0.01: 200, 0.05: 200, 0.1: 200, inf: 200}, 0.99, 0.0099},
		{map[float64]float64{0.01: 190, 0.05: 199, 0.1: 200, inf: 200}, 0.99, 0.05},
		{map[float64]float64{0.01: 100, 0.05: 200, 0.1: 200, inf: 200}, 0.5, 0.03},
		{map[float64]float64{0.01: 100, 0.05: 100, 0.1: 100, inf: 200}, 0.5, 0.1}, // beyond every bound: at least so much
	} {
		if got := within(before, test.after, test.share); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%v: %v, want %v", test.after, got, test.want)
		}
	}
	if got := within(nil, nil, 0.5); got == got {
		t.Errorf("nothing was counted, and half of it came within %v", got)
	}
}

func TestWhatADaemonSaysIsTakenDown(t *testing.T) {
	l := looked{delays: make(map[float64]float64)}
	for _, line := range []string{
		"# HELP fanwarden_polls_total Polls of fans", `fanwarden_polls_total{building="b",gateway="g",outcome="ok"} 90`,
		`fanwarden_polls_total{building="b",gateway="h",outcome="ok"} 10`, `fanwarden_polls_total{building="b",gateway="g",outcome="timeout"} 3`,
		`fanwarden_poll_cycles_missed_total{building="b",gateway="g"} 2`, `fanwarden_poll_start_delay_seconds_bucket{le="0.05"} 7`,
		`fanwarden_poll_start_delay_seconds_bucket{le="+Inf"} 8`, `fanwarden_fan_up{building="b",fan="f"} 1`, "",
	} {
		l.take(line)
	}
	if l.good != 100 || l.failed != 3 || l.missed != 2 || l.delays[0.05] != 7 || l.delays[math.Inf(1)] != 8 {
		t.Errorf("%+v", l)
	}
}

func TestThePeriodThatStraysMost(t *testing.T) {
	at := func(cycles uint64, seconds float64) cycled {
		return cycled{Cycles: cycles, Last: begin.Add(time.Duration(seconds * float64(time.Second))), Every: 5}
	}
	before := []cycled{at(10, 0), at(10, 1)}
	for _, test := range []struct {
		after []cycled
		want  float64
	}{
		{[]cycled{at(20, 50), at(20, 51)}, 0},
		{[]cycled{at(20, 50), at(19, 51)}, 1.0 / 9}, // one was missed
		{[]cycled{at(20, 50), at(10, 1)}, 1},        // it stands
	} {
		if got := straying(before, test.after); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%v: %v, want %v", test.after, got, test.want)
		}
	}
}

func TestRunsThatMissTheirAims(t *testing.T) {
	good := scaled{Cores: 0.2, Memory: 290, Jitter: 40}
	for _, test := range []struct {
		name string
		run  scaled
		o    scaleOptions
		want []string
	}{
		{"all well", good, scaleOptions{}, nil},
		{"too much", scaled{Cores: 0.6, Memory: 301, Jitter: 51, Missed: 1}, scaleOptions{}, []string{"cores", "memory", "start of cycles", "missed cycles"}},
		{"as much with history", scaled{Memory: 650}, scaleOptions{history: true}, nil},
		{"too much with history", scaled{Memory: 701}, scaleOptions{history: true}, []string{"memory"}},
		{"silent ones hold up others", scaled{Straying: 0.06, Missed: 9}, scaleOptions{troubles: true}, []string{"part by which a period strays"}},
	} {
		got := test.run.against(&test.o)
		if len(got) != len(test.want) {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
			continue
		}
		for i := range got {
			if !strings.HasPrefix(got[i], test.want[i]) {
				t.Errorf("%s: %q, want %q", test.name, got[i], test.want[i])
			}
		}
	}
}

// Only a run that a stalled host spoilt is taken again.
func TestWhichRunsAreExcused(t *testing.T) {
	for _, test := range []struct {
		run  scaled
		want bool
	}{
		{scaled{Jitter: 40, HostStalls: 9}, false},
		{scaled{Jitter: 60}, false},
		{scaled{Jitter: 60, HostStalls: 1}, true},
		{scaled{Missed: 1, HostStalls: 1}, true},
	} {
		if got := test.run.excused(); got != test.want {
			t.Errorf("%+v: %v", test.run, got)
		}
	}
}

func TestOversleeps(t *testing.T) {
	var all []time.Duration
	for range 198 {
		all = append(all, 100*time.Microsecond)
	}
	if got := overslept(append(all, 21*time.Millisecond, 50*time.Millisecond)); got != "21.000 50.000 2" && got != "0.100 50.000 2" {
		t.Errorf("%q", got)
	}
}

func TestTheMedianRunAndItsTable(t *testing.T) {
	runs := []scaled{{Cores: 0.1, Memory: 300, Missed: 4}, {Cores: 0.3, Memory: 100}, {Cores: 0.2, Memory: 200, Missed: 1}}
	m := middle(runs)
	if m.Cores != 0.2 || m.Memory != 200 || m.Missed != 1 {
		t.Errorf("%+v", m)
	}
	var out strings.Builder
	printScale(&out, runs, m)
	if lines := strings.Split(strings.TrimSpace(out.String()), "\n"); len(lines) != 5 || !strings.HasPrefix(lines[4], "median  0.20") {
		t.Errorf("%s", out.String())
	}
}

func TestSizesOfFleets(t *testing.T) {
	if got, err := numbers("100,1000"); err != nil || !slices.Equal(got, []int{100, 1000}) {
		t.Errorf("%v, %v", got, err)
	}
	for _, list := range []string{"", "100,", "0", "many"} {
		if _, err := numbers(list); err == nil {
			t.Errorf("%q was read", list)
		}
	}
}

// The fleets that the bench invents have no faults, of any size.
func TestInventedFleets(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {56, 7}, {101, 3}, {600, 300}} {
		p := plan{fans: size[0], gateways: size[1], url: onLoopback(1502)}
		fleet, err := p.parse()
		if err != nil || len(fleet.Fans) != size[0] || len(fleet.Gateways) != size[1] {
			t.Errorf("%d fans behind %d gateways: %v", size[0], size[1], err)
			continue
		}
		if _, err := troubled(fleet); err != nil {
			t.Error(err)
		}
	}
}

// The whole daemon over a small field, for a moment.
func TestScaleRuns(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: it builds and runs the daemon")
	}
	all, err := scaleRuns(t.Context(), []scaleOptions{{fans: 20, gateways: 2, span: 2 * time.Second, every: time.Second, port: freePort(t), settle: time.Second, history: true, troubles: true}}, 1, t.Output())
	if err != nil {
		t.Fatal(err)
	}
	if m := all[0][0]; m.Rate < 1 || m.Failed <= 0 || m.Memory < 10 || m.Peak < m.Memory || m.Jitter <= 0 || m.HostLongest <= 0 || m.Straying >= 1 {
		t.Errorf("%+v", m)
	}
}

// freePort is a port that nobody has on the first of the addresses.
func freePort(t *testing.T) int {
	t.Helper()
	listener, err := net.Listen("tcp", "127.1.0.1:0")
	if err != nil {
		if os.Getenv("FANWARDEN_PEERS") == "required" {
			t.Fatal(err)
		}
		t.Skipf("skipped: this machine has no other loopback addresses: %v", err)
	}
	defer listener.Close()
	return listener.Addr().(*net.TCPAddr).Port
}
