package bacnet

import (
	"encoding/binary"
	"net/netip"
)

// BVLCFunction is a function of the BACnet virtual link control (Annex J.2).
type BVLCFunction uint8

// The functions that this package speaks.
const (
	BVLCResult            BVLCFunction = 0x00
	ForwardedNPDU         BVLCFunction = 0x04
	RegisterForeignDevice BVLCFunction = 0x05
	DistributeBroadcast   BVLCFunction = 0x09
	OriginalUnicastNPDU   BVLCFunction = 0x0A
	OriginalBroadcastNPDU BVLCFunction = 0x0B
	bvlcType                           = 0x81
	bvlcHeader                         = 4
	forwardedHeader                    = 6
)

// distributeNAK is the result of a broadcast that a BBMD did not distribute (Annex
// J.2.1.1).
const distributeNAK = 0x0060

// BVLC is one datagram of BACnet/IP.
type BVLC struct {
	Function BVLCFunction
	Origin   netip.AddrPort // of a ForwardedNPDU: who sent it first; IPv4
	Data     []byte         // the NPDU; of a result its code, of a registration its seconds
}

// Append writes the datagram.
func (m BVLC) Append(b []byte) []byte {
	length := bvlcHeader + len(m.Data)
	if m.Function == ForwardedNPDU {
		length += forwardedHeader
	}
	b = binary.BigEndian.AppendUint16(append(b, bvlcType, uint8(m.Function)), uint16(length))
	if m.Function == ForwardedNPDU {
		ip := m.Origin.Addr().As4()
		b = binary.BigEndian.AppendUint16(append(b, ip[:]...), m.Origin.Port())
	}
	return append(b, m.Data...)
}

// ParseBVLC takes a datagram apart. The data stay part of it.
func ParseBVLC(datagram []byte) (m BVLC, err error) {
	r := reader{rest: datagram}
	kind, function, length := r.u8(), r.u8(), r.u16()
	if kind != bvlcType || int(length) != len(datagram) {
		r.fail()
	}
	m.Function = BVLCFunction(function)
	if m.Function == ForwardedNPDU {
		ip := r.take(4)
		port := r.u16()
		if !r.bad {
			m.Origin = netip.AddrPortFrom(netip.AddrFrom4([4]byte(ip)), port)
		}
	}
	m.Data = r.rest
	return m, r.err()
}
