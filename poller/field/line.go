package field

import (
	"context"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// line is a gateway with the units behind it: it takes requests from any number
// of connections and asks its units one after another, over a serial side that
// is as fast as its baud rate lets it be.
type line struct {
	relay
	banks  map[place]*bank
	units  map[uint8][]*config.Fan // who is silent when a unit is
	busy   chan struct{}           // holds one token while a unit is asked
	free   time.Time               // when the next may be asked; belongs to who has the token
	prompt func(time.Time)         // waits exactly, for units that answer at once; nil: they think first

	// Guarded by the server's lock.
	held map[cell][]uint16 // what the gateway last read of a point that it does not read now
}

// cell is a point where it lies.
type cell struct {
	place
	address, bit int
	point        reading.Point
}

func newLine(g *config.Gateway, s *Server, o ServeOptions) *line {
	l := &line{
		relay: newRelay(g, s, o.Seed), units: make(map[uint8][]*config.Fan), busy: make(chan struct{}, 1),
		held: make(map[cell][]uint16), prompt: o.Prompt,
	}
	for _, fan := range l.fans {
		for _, p := range fan.Points {
			if at := l.units[uint8(p.Unit)]; len(at) == 0 || at[len(at)-1] != fan {
				l.units[uint8(p.Unit)] = append(at, fan)
			}
		}
	}
	l.banks = banks(g, l.fans)
	l.hold()
	s.field.watch = append(s.field.watch, l.hold)
	return l
}

// ask puts one request to a unit and waits as long as that takes. The answer is
// nil where there is none.
func (l *line) ask(ctx context.Context, r request) []byte {
	select {
	case l.busy <- struct{}{}:
	case <-ctx.Done():
		return nil
	}
	defer func() { <-l.busy }()
	begun := time.Now()
	if l.free.After(begun) {
		begun = l.free
	}
	pdu, took := l.answer(r)
	over := begun.Add(took)
	if !l.wait(ctx, over) || !l.dawdle(ctx) {
		return nil
	}
	if l.prompt == nil {
		over = time.Now()
	}
	l.free = over.Add(silence(l.gateway.SerialBaud()))
	return pdu
}

// wait waits for an instant, and reports whether ctx lasted as long.
func (l *line) wait(ctx context.Context, until time.Time) bool {
	if l.prompt == nil {
		return rest(ctx, time.Until(until))
	}
	l.prompt(until)
	return ctx.Err() == nil
}

// dawdle waits as long as a slow line is late. It looks again at every tick, so
// that the wait is over as soon as the trouble is; it reports whether ctx lasted
// as long.
func (l *line) dawdle(ctx context.Context) bool {
	for waited := time.Duration(0); ; waited += tick {
		left := l.lateness() - waited
		if left <= 0 {
			return ctx.Err() == nil
		}
		if !rest(ctx, min(left, tick)) {
			return false
		}
	}
}

// answer returns what comes back for a request and how long that takes
// on a line that is not slow. A unit
// that is silent costs the gateway its own waiting time, half of what the fleet
// file waits for the gateway, so that its verdict still comes in time. Over
// Modbus TCP it then says so (exception 0B); with serial frames it has no words
// for it.
func (l *line) answer(r request) (pdu []byte, after time.Duration) {
	l.server.mu.Lock()
	defer l.server.mu.Unlock()
	now := l.troubles()
	if l.silent(now, r.unit) {
		if framings[l.gateway.Scheme].serial() {
			return nil, l.gateway.Timeout / 2
		}
		return refuse(r.pdu[0], targetUnanswered), l.gateway.Timeout / 2
	}
	pdu = l.serve(now, r)
	if baud := l.gateway.SerialBaud(); baud > 0 {
		after = lineTime(len(r.pdu)+serialFrame, len(pdu)+serialFrame, baud)
		if l.prompt == nil {
			after += time.Millisecond + time.Duration(l.random.Int64N(int64(3*time.Millisecond)))
		}
	}
	return pdu, after
}

// serialFrame is what a serial line adds to a PDU: unit and checksum.
const serialFrame = 1 + checkBytes

// shortSilence is the pause between frames above 19200 bit/s.
const shortSilence = 1750 * time.Microsecond

// lineTime returns how long a request and its answer, so many bytes each, take
// on a serial line, with the silence between them:
//
//	T = (bytes of both) * 11 / baud + t3.5
//
// Source: MODBUS over Serial Line V1.02, section 2.5.1.1: characters of 11
// bits.
func lineTime(asked, answered, baud int) time.Duration {
	return time.Duration(asked+answered)*11*time.Second/time.Duration(baud) + silence(baud)
}

// silence is t3.5, which parts two frames: 3.5 characters up to 19200 bit/s and
// 1.750 ms above (section 2.5.1.1); 0 where there is no serial side.
func silence(baud int) time.Duration {
	switch {
	case baud <= 0:
		return 0
	case baud <= 19200:
		return 7 * 11 * time.Second / time.Duration(2*baud)
	}
	return shortSilence
}

// rest waits, and reports whether ctx lasted as long.
func rest(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
