package main

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// lateGateway stands between the daemon and a gateway that serves RTU frames
// over TCP. It holds back one answer in five, beyond the daemon's time-out, and
// then sends it into whatever connection is the newest, as a transparent serial
// server does: the serial side knows no connections.
type lateGateway struct {
	field   string // host:port behind it
	delayed atomic.Int64
	mu      sync.Mutex
	newest  net.Conn
	random  *rand.Rand
}

func startLateGateway(t *testing.T, field string) (*lateGateway, string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	g := &lateGateway{field: field, random: rand.New(rand.NewPCG(1, 2))}
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			go g.serve(client)
		}
	}()
	return g, listener.Addr().String()
}

// serve passes whole requests on, one at a time, each over a connection of its
// own, so that a late answer stands in nobody's way behind the gateway.
func (g *lateGateway) serve(client net.Conn) {
	defer client.Close()
	g.mu.Lock()
	g.newest = client
	g.mu.Unlock()
	request := make([]byte, 8) // every read request in RTU framing has 8 bytes
	for {
		if _, err := io.ReadFull(client, request); err != nil {
			return
		}
		answer, err := g.ask(request)
		if err != nil {
			return
		}
		if late := g.lateness(); late > 0 {
			g.delayed.Add(1)
			time.AfterFunc(late, func() { g.send(answer) })
			continue
		}
		client.Write(answer)
	}
}

// ask gets the field's answer to one request.
func (g *lateGateway) ask(request []byte) ([]byte, error) {
	conn, err := net.Dial("tcp", g.field)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(5 * time.Second))
	if _, err := conn.Write(request); err != nil {
		return nil, err
	}
	head := make([]byte, 3)
	if _, err := io.ReadFull(conn, head); err != nil {
		return nil, err
	}
	rest := 2 // an exception: its code is in the head, the CRC follows
	if head[1]&0x80 == 0 {
		rest = int(head[2]) + 2
	}
	answer := append(head, make([]byte, rest)...)
	_, err = io.ReadFull(conn, answer[3:])
	return answer, err
}

// lateness is 0 for four answers in five, and for the fifth up to three times
// the daemon's time-out of 100 ms: within the time that the daemon grants.
func (g *lateGateway) lateness() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.random.IntN(5) > 0 {
		return 0
	}
	return time.Duration(90+g.random.IntN(200)) * time.Millisecond
}

func (g *lateGateway) send(answer []byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.newest.Write(answer) // into a closed one: then it is lost
}

// crowded is a fleet of the four fans in units 1 to 4 and nine more, three in
// each of the units 5 to 7, whose blocks are too far apart to be merged. Every
// fan has a pressure of its own, so a value under a wrong fan is known at sight.
// It returns the pressure of each fan by its series.
func crowded(t *testing.T, field *peer, url string) (file string, pressures map[string]string) {
	t.Helper()
	text := fmt.Sprintf(fourFans, url)
	text = strings.Replace(text, `timeout = "200ms"`, "timeout = \"100ms\"\nmax_gap = 0", 1)
	// One answer in five is lost: that a unit misses a few polls is no news here.
	text = strings.Replace(text, "[rules.controller_silent]\nhold = \"1s\"", "[rules.controller_silent]\nhold = \"5m\"", 1)
	text = strings.Replace(text, "[rules.gateway_down]\nhold = \"1s\"", "[rules.gateway_down]\nhold = \"5m\"", 1)
	setFourFans(field)
	pressures = map[string]string{series("healthy"): "-31", series("pinned"): "-8", series("idle"): "22", series("inverted"): "180"}
	for unit := 5; unit <= 7; unit++ {
		for n := range 3 {
			id, pressure := fmt.Sprintf("fan-%d-%d", unit, n), -30+unit-5-3*n
			text += fmt.Sprintf("[[fans]]\nid = %q\ngateway = \"roof\"\nunit = %d\nbase = %d\npointmap = \"riser\"\n"+
				"probe = \"suction\"\nsetpoint = \"-30 Pa\"\n", id, unit, 10*n)
			field.do("set %d input %d %d", unit, 10*n, uint16(int16(pressure*10)))
			field.do("set %d input %d 550", unit, 10*n+1)
			field.do("set %d discrete %d 0", unit, 10*n)
			pressures[series(id)] = fmt.Sprint(pressure)
		}
	}
	return writeFleet(t, text), pressures
}

func series(fan string) string {
	return fmt.Sprintf(`fanwarden_pressure_pascals{building="north",fan=%q}`, fan)
}

func TestLateRepliesOverRTUOverTCPNeverShowUnderAnotherFan(t *testing.T) {
	field := startPymodbus(t, "rtu")
	gateway, address := startLateGateway(t, "127.0.0.1:"+field.port)
	file, pressures := crowded(t, field, "rtuovertcp://"+address)
	d := startDaemon(t, file)
	seen := make(map[string]bool)
	eventually(t, func() error {
		for name, value := range d.metrics() {
			if !strings.HasPrefix(name, "fanwarden_pressure_pascals") {
				continue
			}
			if seen[name] = true; value != pressures[name] {
				t.Fatalf("%s is %s, and its fan reads %s", name, value, pressures[name])
			}
		}
		if late := gateway.delayed.Load(); late < 40 || len(seen) < len(pressures) {
			return fmt.Errorf("%d late replies and %d of %d fans so far", late, len(seen), len(pressures))
		}
		return nil
	})
	want(t, "what stands", threeWrong, d.active)
	d.stop()
}
