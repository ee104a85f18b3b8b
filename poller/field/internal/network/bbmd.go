package network

import (
	"encoding/binary"
	"net/netip"
	"time"

	"fanwarden/poller/bacnet"
)

// Codes of a BVLC-Result (Annex J.2.1).
const (
	done              = 0x0000
	registerRefused   = 0x0030
	distributeRefused = 0x0060
)

const (
	// grace is how long a foreign device stays registered beyond the time that
	// it asked for (Annex J.5.2.3).
	grace       = 30 * time.Second
	mostForeign = 128
)

// register takes a foreign device in for as many seconds as it asks for.
func (n *Network) register(from netip.AddrPort, socket int, data []byte) {
	_, known := n.foreign[from]
	if socket != 0 || len(data) != 2 || !known && len(n.foreign) >= mostForeign {
		n.result(from, socket, registerRefused)
		return
	}
	if n.foreign == nil {
		n.foreign = make(map[netip.AddrPort]time.Time)
	}
	n.foreign[from] = n.now.Add(time.Duration(binary.BigEndian.Uint16(data))*time.Second + grace)
	n.result(from, socket, done)
}

// distributes reports whether the BBMD hands on what somebody sends.
func (n *Network) distributes(from netip.AddrPort, socket int) bool {
	until, known := n.foreign[from]
	return socket == 0 && known && !n.now.After(until)
}

// forward hands a broadcast to all foreign devices but one.
func (n *Network) forward(origin netip.AddrPort, npdu []byte, but netip.AddrPort) {
	datagram := bacnet.BVLC{Function: bacnet.ForwardedNPDU, Origin: origin, Data: npdu}.Append(nil)
	for address := range n.foreign {
		if address != but {
			n.Send(0, address, datagram)
		}
	}
}

func (n *Network) result(to netip.AddrPort, socket int, code uint16) {
	n.Send(socket, to, bacnet.BVLC{Function: bacnet.BVLCResult, Data: binary.BigEndian.AppendUint16(nil, code)}.Append(nil))
}
