package bacnet

import (
	"encoding/binary"
	"net/netip"
)

// rejectMessage is the message of the network layer by which a router says that it
// did not pass a message on, and to which network (clause 6.4.4).
const rejectMessage = 3

// Its reasons. A router that is busy loses the message, as any network may; one to
// which a message is too long would take a shorter one.
const (
	rejectBusy    = 2
	rejectTooLong = 4
)

// noWay stands in an answer for a router's word that there is no way.
const noWay PDUType = 255

// network takes a message of the network layer: requests that a router did not pass
// on need not be waited for.
func (c *Client) network(data []byte, from netip.AddrPort) {
	if len(data) < 4 || data[0] != rejectMessage || data[1] == rejectBusy {
		return
	}
	a := APDU{Type: noWay}
	if data[1] == rejectTooLong {
		a = APDU{Type: AbortPDU, Service: BufferOverflow}
	}
	number := binary.BigEndian.Uint16(data[2:])
	c.mu.Lock()
	defer c.mu.Unlock()
	for e, answers := range c.waiting {
		if e.station.Via != from || e.station.Network.Number != number || number == 0 {
			continue
		}
		select {
		case answers <- a:
		default:
		}
	}
}
