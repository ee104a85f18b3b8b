package bacnet

import "encoding/binary"

// Network is the address of a station on a network behind a router: the zero
// value is the local network. Number 65535 is every network.
type Network struct {
	Number uint16
	MAC    string // bytes of the station's address there; "": all of them
}

// EveryNetwork is where a global broadcast goes.
var EveryNetwork = Network{Number: 0xFFFF}

// NPDU is the network layer's part of a message (clause 6.2).
type NPDU struct {
	Destination    Network // zero: none stated
	Source         Network // zero: none stated
	ExpectingReply bool
	Priority       uint8 // 0 normal to 3 life safety
	HopCount       uint8 // with a destination
	Message        bool  // a message of the network layer itself, whose type is the first byte of Data
	Data           []byte
}

const (
	npduVersion    = 1
	npduMessage    = 0x80
	npduDest       = 0x20
	npduSource     = 0x08
	npduExpecting  = 0x04
	npduReserved   = 0x50
	longestAddress = 18
)

// Append writes the NPDU.
func (n NPDU) Append(b []byte) []byte {
	control := n.Priority & 3
	control |= flag(n.Message, npduMessage) | flag(n.Destination.Number != 0, npduDest) |
		flag(n.Source.Number != 0, npduSource) | flag(n.ExpectingReply, npduExpecting)
	b = append(b, npduVersion, control)
	if n.Destination.Number != 0 {
		b = n.Destination.append(b)
	}
	if n.Source.Number != 0 {
		b = n.Source.append(b)
	}
	if n.Destination.Number != 0 {
		b = append(b, n.HopCount)
	}
	return append(b, n.Data...)
}

func (a Network) append(b []byte) []byte {
	b = append(binary.BigEndian.AppendUint16(b, a.Number), uint8(len(a.MAC)))
	return append(b, a.MAC...)
}

// flag is mask where on is true.
func flag(on bool, mask uint8) uint8 {
	if on {
		return mask
	}
	return 0
}

// ParseNPDU takes an NPDU apart.
func ParseNPDU(b []byte) (n NPDU, err error) {
	r := reader{rest: b}
	version, control := r.u8(), r.u8()
	if version != npduVersion || control&npduReserved != 0 {
		r.fail()
	}
	n.Message, n.ExpectingReply, n.Priority = control&npduMessage != 0, control&npduExpecting != 0, control&3
	if control&npduDest != 0 {
		n.Destination = r.network()
	}
	if control&npduSource != 0 {
		n.Source = r.network()
		if n.Source.MAC == "" || n.Source.Number == EveryNetwork.Number {
			r.fail()
		}
	}
	if control&npduDest != 0 {
		n.HopCount = r.u8()
	}
	n.Data = r.rest
	return n, r.err()
}

// network takes a network number and an address on it.
func (r *reader) network() Network {
	number, length := r.u16(), r.u8()
	if number == 0 || length > longestAddress {
		r.fail()
	}
	return Network{number, string(r.take(uint32(length)))}
}
