package poller_test

import (
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
)

// One reply in five comes after its time-out, at random, over a transport that
// gives answers no number. Four fans share a unit in blocks of the same shape,
// alone on the line or beside units that look just the same. Whatever comes
// late, no fan may show a register that is not its own.
func TestLateRepliesOverRTUOnTCP(t *testing.T) {
	tests := []struct {
		name        string
		transparent bool
		latest      int // in timeouts; what is later than 16 of them is feared no more, and a busy machine adds its own
		units       int
		period      int  // in timeouts
		apart       bool // single values that cannot be asked for in parts
		gap         int  // unused registers that may be read
	}{
		{"to the connection that asked", false, 3, 4, 10, false, 0},
		{"to the newest connection, within late_reply", true, 3, 4, 10, false, 0},
		{"to the newest connection, much later than late_reply", true, 10, 4, 10, false, 0},
		{"to the newest connection, much later, unused registers allowed", true, 10, 4, 10, false, 7},
		{"to the newest connection, much later, one unit", true, 10, 1, 4, false, 0},
		{"to the newest connection, much later, single values", true, 10, 1, 4, true, 7},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			const timeout = 10 * time.Millisecond
			var lock sync.Mutex
			random := rand.New(rand.NewPCG(1, 2))
			lateOnes := 0
			decide := func(request) reply {
				lock.Lock()
				defer lock.Unlock()
				if random.IntN(5) != 0 {
					return reply{}
				}
				lateOnes++
				var refusal byte
				if lateOnes%4 == 0 {
					refusal = 4
				}
				return reply{exception: refusal, after: timeout + time.Duration(random.Int64N(int64(test.latest-1)*int64(timeout)))}
			}
			server := serve(t, true, test.transparent, decide)
			g := newGateway("rtuovertcp", server.address())
			g.Timeout, g.LateReply, g.PollEvery = timeout, 2*timeout, time.Duration(test.period)*timeout
			g.MaxGap = test.gap
			fans := []*config.Fan{newFan(g, 1, 0), newFan(g, 1, 20), newFan(g, 1, 40), newFan(g, 1, 60)}
			for unit := 2; unit <= test.units; unit++ {
				fans = append(fans, newFan(g, unit, 0))
			}
			if test.apart {
				for _, fan := range fans {
					fan.Points[1].Address += 9
				}
			}

			good, enough := 0, 120
			if test.apart { // the gateway is of little use then
				enough = 50
			}
			done := make(chan struct{})
			sink := func(c *poller.Cycle) {
				for i := range c.Readings {
					good += own(t, fans[i], &c.Readings[i])
				}
				lock.Lock()
				defer lock.Unlock()
				if good >= enough && lateOnes >= 20 && done != nil {
					close(done)
					done = nil
				}
			}
			wait := done
			p := poller.New(dialModbus, sink, zap.NewNop())
			p.Start(fleetOf(fans...))
			defer p.Stop()
			select {
			case <-wait:
			case <-time.After(30 * time.Second):
				t.Fatal("too few values in 30 s")
			}
		})
	}
}

// A whole cycle over each framing.
func TestReadsOverTheWire(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		t.Run(scheme, func(t *testing.T) {
			server := serve(t, scheme == "rtuovertcp", false, func(request) reply { return reply{} })
			g := newGateway(scheme, server.address())
			g.PollEvery = 20 * time.Millisecond
			fans := []*config.Fan{newFan(g, 1, 0), newFan(g, 1, 20), newFan(g, 7, 0)}
			cycles := make(chan []reading.Reading, 1)
			p := poller.New(dialModbus, func(c *poller.Cycle) {
				select {
				case cycles <- append([]reading.Reading{}, c.Readings...):
				default:
				}
			}, zap.NewNop())
			p.Start(fleetOf(fans...))
			defer p.Stop()
			for i, r := range <-cycles {
				if r.Outcome != reading.OK || own(t, fans[i], &r) != 2 {
					t.Errorf("%s: %s, with %d values", fans[i].ID, r.Outcome, own(t, fans[i], &r))
				}
			}
		})
	}
}

// A gateway that hangs up on everybody between two cycles costs no reading;
// one that is gone is found again when it is back at its address.
func TestGatewayLostAndFound(t *testing.T) {
	server := serve(t, false, false, func(request) reply { return reply{} })
	address := server.address()
	g := newGateway("tcp", address)
	g.PollEvery = 50 * time.Millisecond
	outcomes := make(chan reading.Outcome)
	enough := make(chan struct{})
	p := poller.New(dialModbus, func(c *poller.Cycle) {
		select {
		case outcomes <- c.Readings[0].Outcome:
		case <-enough:
		}
	}, zap.NewNop())
	p.Start(fleetOf(newFan(g, 1, 0)))
	defer p.Stop()
	defer close(enough)
	await := func(want reading.Outcome) {
		t.Helper()
		for end := time.After(10 * time.Second); ; {
			select {
			case got := <-outcomes:
				if got == want {
					return
				}
			case <-end:
				t.Fatalf("no reading was %s within 10 s", want)
			}
		}
	}
	await(reading.OK)
	for range 5 {
		server.hangUp()
		if got := <-outcomes; got != reading.OK {
			t.Errorf("%s after the gateway closed an idle connection", got)
		}
	}
	server.stop()
	await(reading.Refused)
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	serveOn(t, listener, false, false, func(request) reply { return reply{} })
	await(reading.OK)
}

// What a gateway says of a unit behind it, over the wire.
func TestGatewayExceptionsOverTheWire(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		codes := map[byte]byte{2: 0x0B, 3: 0x0A, 4: 0x07, 5: 0x02}
		server := serve(t, scheme == "rtuovertcp", false, func(r request) reply { return reply{exception: codes[r.unit]} })
		g := newGateway(scheme, server.address())
		g.PollEvery = 50 * time.Millisecond
		cycles := make(chan []reading.Reading, 1)
		p := poller.New(dialModbus, func(c *poller.Cycle) {
			select {
			case cycles <- append([]reading.Reading{}, c.Readings...):
			default:
			}
		}, zap.NewNop())
		p.Start(fleetOf(fansOf(g, 5)...))
		readings := <-cycles
		p.Stop()
		want := []reading.Outcome{reading.OK, reading.UnitSilent, reading.PathUnavailable, reading.Exception, reading.Exception}
		for i, r := range readings {
			if r.Outcome != want[i] {
				t.Errorf("%s: %s is %s; want %s", scheme, r.Fan, r.Outcome, want[i])
			}
		}
		if readings[3].ExceptionCode != 7 || readings[4].ExceptionCode != 2 {
			t.Errorf("%s: codes %02X and %02X; want 07 and 02", scheme, readings[3].ExceptionCode, readings[4].ExceptionCode)
		}
		if n := server.connections(); n != 1 {
			t.Errorf("%s: %d connections; exceptions close none", scheme, n)
		}
	}
}
