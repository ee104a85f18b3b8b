package network

import (
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/objects"
)

// Bytes of an APDU before its data (clause 20.1).
const (
	requestHead = 4
	answerHead  = 3
	segmentHead = 5
)

const (
	// segmentTimeout is how long an acknowledgement is waited for, and tries how
	// often a message is sent again (clause 5.4; the values are from memory).
	segmentTimeout = 2 * time.Second
	tries          = 3
	// window is how many segments a device proposes to send in one go.
	window        = 4
	mostTransfers = 16
)

// transfer is an answer on its way in segments.
type transfer struct {
	parts  []bacnet.APDU
	first  int // that is not acknowledged
	window int
	sent   time.Time
	tries  int
}

// mostSegments is how many segments a request takes by its code (clause
// 20.1.2.4); 0 and 7 leave it open.
func mostSegments(code uint8) int {
	if code == 0 || code == 7 {
		return 255
	}
	return 1 << code
}

// answer sends an answer as the one who asked can take it: whole, in segments, or
// not at all.
func (n *Network) answer(s *Station, e exchange, asked, a bacnet.APDU) {
	size := min(bacnet.APDUSize(asked.MaxAPDU), s.Device.MaxAPDU)
	if len(a.Data)+answerHead <= size || a.Type != bacnet.ComplexAck {
		n.send(s, e.peer, a, false)
		return
	}
	parts := cut(a, size-segmentHead)
	switch {
	case !s.Device.Segments || !asked.SegmentedAccepted:
		n.send(s, e.peer, objects.Aborted(asked, bacnet.SegmentationNotSupported), false)
	case len(parts) > mostSegments(asked.MaxSegments), len(s.transfers) >= mostTransfers:
		n.send(s, e.peer, objects.Aborted(asked, bacnet.BufferOverflow), false)
	default:
		if s.transfers == nil {
			s.transfers = make(map[exchange]*transfer)
		}
		t := &transfer{parts: parts, window: 1}
		s.transfers[e] = t
		n.sendWindow(s, e.peer, t)
	}
}

// cut makes segments of an answer.
func cut(a bacnet.APDU, size int) (parts []bacnet.APDU) {
	for data := a.Data; len(data) > 0; {
		part := a
		part.Segmented, part.Sequence, part.Window = true, uint8(len(parts)), window
		part.Data = data[:min(size, len(data))]
		data = data[len(part.Data):]
		part.MoreFollows = len(data) > 0
		parts = append(parts, part)
	}
	return parts
}

func (n *Network) sendWindow(s *Station, peer bacnet.Station, t *transfer) {
	for i := t.first; i < min(len(t.parts), t.first+t.window); i++ {
		n.send(s, peer, t.parts[i], true)
	}
	t.sent = n.now
}

// acknowledged goes on behind the last segment that came in order, whether the
// peer has them all or tells of a gap. An acknowledgement from before the window
// is stale.
func (n *Network) acknowledged(s *Station, e exchange, a bacnet.APDU) {
	t := s.transfers[e]
	if t == nil {
		return
	}
	come := int(a.Sequence - uint8(t.first) + 1)
	switch {
	case a.Sequence == uint8(t.first-1) && a.Negative: // the first of the window is lost
	case come < 1 || come > t.window:
		return
	default:
		t.first, t.tries = t.first+come, 0
	}
	t.window = int(a.Window)
	if t.first >= len(t.parts) {
		delete(s.transfers, e)
		return
	}
	n.sendWindow(s, e.peer, t)
}

// resend sends windows again that nobody acknowledged.
func (n *Network) resend(s *Station) {
	for e, t := range s.transfers {
		if n.now.Sub(t.sent) < segmentTimeout {
			continue
		}
		if t.tries++; t.tries > tries {
			delete(s.transfers, e)
			continue
		}
		n.sendWindow(s, e.peer, t)
	}
}
