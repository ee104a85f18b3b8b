package config

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
)

// oneGateway reads sound with other text in its gateway and fleet tables.
func oneGateway(t *testing.T, url, fleet, keys string) *Gateway {
	t.Helper()
	text := strings.Replace(sound, `url = "tcp://10.20.3.20"`, fmt.Sprintf("url = %q\n%s", url, keys), 1)
	f, faults := Parse("fleet.toml", []byte("[fleet]\n"+fleet+text+"probe = \"suction\"\nsetpoint = \"-30 Pa\"\n"), os.ReadFile)
	for _, fault := range faults {
		t.Fatal(fault)
	}
	return f.Gateways[0]
}

func TestURLs(t *testing.T) {
	for url, want := range map[string]string{
		"tcp://10.20.3.20:1502":     "tcp 10.20.3.20:1502",
		"tcp://10.20.3.20":          "tcp 10.20.3.20:502",
		"tcp://10.20.3.20/":         "tcp 10.20.3.20:502",
		"tcp://[2001:db8::20]:502":  "tcp [2001:db8::20]:502",
		"tcp://[2001:db8::20]":      "tcp [2001:db8::20]:502",
		"udp://plant.example:502":   "udp plant.example:502",
		"rtuovertcp://10.1.1.1:401": "rtuovertcp 10.1.1.1:401",
		"rtu:///dev/ttyUSB0":        "rtu /dev/ttyUSB0",
		"TCP://10.20.3.20":          "tcp 10.20.3.20:502",
	} {
		if g := oneGateway(t, url, "", ""); g.Scheme+" "+g.Address != want || g.URL != url {
			t.Errorf("%s: %s %s", url, g.Scheme, g.Address)
		}
	}
}

func TestTimesThatFollowFromEachOther(t *testing.T) {
	const tcp, rtu = "tcp://10.20.3.20", "rtu:///dev/ttyUSB0"
	for _, c := range []struct {
		url, fleet, keys           string
		poll, stale, timeout, late time.Duration
	}{
		{tcp, "", "", 5 * time.Second, 20 * time.Second, 800 * time.Millisecond, 0},
		{rtu, "", "", 5 * time.Second, 20 * time.Second, 800 * time.Millisecond, 1600 * time.Millisecond},
		{rtu, "", `timeout = "300ms"`, 5 * time.Second, 20 * time.Second, 300 * time.Millisecond, 600 * time.Millisecond},
		{rtu, "", `late_reply = "0s"`, 5 * time.Second, 20 * time.Second, 800 * time.Millisecond, 0},
		{tcp, `poll_every = "30s"`, "", 30 * time.Second, 120 * time.Second, 800 * time.Millisecond, 0},
		{tcp, "", `poll_every = "1m"`, time.Minute, 4 * time.Minute, 800 * time.Millisecond, 0},
		{tcp, `stale_after = "90s"`, `poll_every = "1m"`, time.Minute, 90 * time.Second, 800 * time.Millisecond, 0},
		{tcp, "", `poll_every = "1s"`, time.Second, 20 * time.Second, 500 * time.Millisecond, 0},
		{tcp, "", `poll_every = "200ms"`, 200 * time.Millisecond, 20 * time.Second, 100 * time.Millisecond, 0},
	} {
		g := oneGateway(t, c.url, c.fleet, c.keys)
		if g.PollEvery != c.poll || g.StaleAfter != c.stale || g.Timeout != c.timeout || g.LateReply != c.late {
			t.Errorf("%s %s %s: %v %v %v %v", c.url, c.fleet, c.keys, g.PollEvery, g.StaleAfter, g.Timeout, g.LateReply)
		}
	}
}

// Modbus over Serial Line V1.02, section 2.5.1: a character has 11 bits, so
// without parity there are two stop bits.
func TestSerialLines(t *testing.T) {
	for keys, want := range map[string]string{
		"":                                 "19200 8 none 2",
		`parity = "even"`:                  "19200 8 even 1",
		`baud = 9600` + "\nstop_bits = 1":  "9600 8 none 1",
		`parity = "odd"` + "\ndata_bits=7": "19200 7 odd 1",
	} {
		g := oneGateway(t, "rtu:///dev/ttyUSB0", "", keys)
		if got := fmt.Sprint(g.Baud, g.DataBits, " ", g.Parity, " ", g.StopBits); got != want {
			t.Errorf("%q: %s, want %s", keys, got, want)
		}
	}
}
