package bacnet

import (
	"context"
	"errors"
	"time"
)

// proposedWindow is how many segments we take before we acknowledge them.
const proposedWindow = 8

// mostSegments bounds an answer, as our requests say (ownSegments).
const mostSegments = 64

// assembly is an answer that comes in segments (clause 5.4.4, SEGMENTED_CONF).
type assembly struct {
	data   []byte
	last   uint8 // the last one that came in order
	count  int
	acked  uint8 // where the window began
	window uint8
	told   bool // of the gap after last
}

// assemble takes the segments that follow the first one. A gap is told once, and
// both kinds of acknowledgement say which segment came last in order; when none comes that is new for four segment
// time-outs the answer is given up.
func (c *Client) assemble(ctx context.Context, e exchange, answers chan APDU, a APDU) ([]byte, error) {
	if a.Sequence != 0 {
		c.send(APDU{Type: AbortPDU, InvokeID: e.invoke, Service: InvalidAPDUInState}, e.station, false)
		return nil, ErrMalformed
	}
	s := assembly{data: a.Data, count: 1, window: min(a.Window, proposedWindow)}
	c.acknowledge(e, s, false)
	until := time.Now().Add(4 * c.options.SegmentTimeout)
	for more := a.MoreFollows; more; {
		next, err := c.await(ctx, answers, time.Until(until))
		if err != nil {
			if !errors.Is(err, ErrTimeout) {
				c.send(APDU{Type: AbortPDU, InvokeID: e.invoke, Service: AbortOther}, e.station, false)
			}
			return nil, err
		}
		switch {
		case next.Type == AbortPDU:
			return nil, &Abort{next.Service}
		case next.Type != ComplexAck || !next.Segmented || next.Service != a.Service:
			continue // late, or sent twice
		case next.Sequence == s.last+1:
			more, until = next.MoreFollows, time.Now().Add(4*c.options.SegmentTimeout)
			if s.add(next); s.count > mostSegments {
				c.send(APDU{Type: AbortPDU, InvokeID: e.invoke, Service: BufferOverflow}, e.station, false)
				return nil, &Abort{BufferOverflow}
			}
			if !more || s.last-s.acked >= s.window {
				s.acked = s.last
				c.acknowledge(e, s, false)
			}
		case next.Sequence == s.last: // our acknowledgement may be lost
			s.acked = s.last
			c.acknowledge(e, s, false)
		case next.Sequence-s.last < mostSegments && !s.told: // a gap
			s.acked, s.told = s.last, true
			c.acknowledge(e, s, true)
		}
	}
	return s.data, nil
}

func (s *assembly) add(a APDU) {
	if s.count == 1 {
		s.data = append([]byte(nil), s.data...)
	}
	s.data, s.last, s.count = append(s.data, a.Data...), a.Sequence, s.count+1
	s.told = false
}

func (c *Client) acknowledge(e exchange, s assembly, gap bool) {
	c.send(APDU{Type: SegmentAck, Negative: gap, InvokeID: e.invoke, Sequence: s.last, Window: s.window}, e.station, false)
}
