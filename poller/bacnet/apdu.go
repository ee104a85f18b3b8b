package bacnet

// PDUType is the kind of an APDU (clause 20.1.1).
type PDUType uint8

// The kinds.
const (
	ConfirmedRequest PDUType = iota
	UnconfirmedRequest
	SimpleAck
	ComplexAck
	SegmentAck
	ErrorPDU
	RejectPDU
	AbortPDU
)

// APDU is the application layer's part of a message (clause 20.1). Which
// fields count depends on the type.
type APDU struct {
	Type              PDUType
	Segmented         bool  // this is one segment of several
	MoreFollows       bool  // and not the last
	SegmentedAccepted bool  // the answer may come in segments
	Server            bool  // a segment ack or abort is the server's
	Negative          bool  // a segment ack tells of a gap
	MaxSegments       uint8 // coded, 0 to 7
	MaxAPDU           uint8 // coded, 0 to 5: see [APDUSize]
	InvokeID          uint8
	Sequence          uint8
	Window            uint8 // 1 to 127
	Service           uint8 // the service; of a reject or abort the reason
	Data              []byte
}

// apduSizes are the longest APDUs by their code (clause 20.1.2.5).
var apduSizes = [...]int{50, 128, 206, 480, 1024, 1476}

// APDUSize returns the bytes that a coded size stands for; codes that the
// standard reserves are taken as the smallest.
func APDUSize(code uint8) int {
	if int(code) < len(apduSizes) {
		return apduSizes[code]
	}
	return apduSizes[0]
}

// Append writes the APDU.
func (a APDU) Append(b []byte) []byte {
	first := uint8(a.Type) << 4
	segments := flag(a.Segmented, 8) | flag(a.Segmented && a.MoreFollows, 4)
	switch a.Type {
	case ConfirmedRequest:
		b = append(b, first|segments|flag(a.SegmentedAccepted, 2), a.MaxSegments<<4|a.MaxAPDU&15, a.InvokeID)
	case ComplexAck:
		b = append(b, first|segments, a.InvokeID)
	case UnconfirmedRequest:
		return append(append(b, first, a.Service), a.Data...)
	case SegmentAck:
		return append(b, first|flag(a.Negative, 2)|flag(a.Server, 1), a.InvokeID, a.Sequence, a.Window)
	case AbortPDU:
		return append(b, first|flag(a.Server, 1), a.InvokeID, a.Service)
	default:
		return append(append(b, first, a.InvokeID, a.Service), a.Data...)
	}
	if a.Segmented {
		b = append(b, a.Sequence, a.Window)
	}
	return append(append(b, a.Service), a.Data...)
}

// ParseAPDU takes an APDU apart.
func ParseAPDU(b []byte) (a APDU, err error) {
	r := reader{rest: b}
	first := r.u8()
	a.Type = PDUType(first >> 4)
	if a.Type > AbortPDU {
		r.fail()
	}
	if a.Type == ConfirmedRequest || a.Type == ComplexAck {
		a.Segmented = first&8 != 0
		a.MoreFollows = a.Segmented && first&4 != 0
	}
	if a.Type == ConfirmedRequest {
		a.SegmentedAccepted = first&2 != 0
		sizes := r.u8()
		a.MaxSegments, a.MaxAPDU = sizes>>4&7, sizes&15
	}
	if a.Type != UnconfirmedRequest {
		a.InvokeID = r.u8()
	}
	if a.Segmented || a.Type == SegmentAck {
		a.Sequence, a.Window = r.u8(), r.u8()
		if a.Window == 0 || a.Window > 127 {
			r.fail()
		}
	}
	if a.Type == SegmentAck || a.Type == AbortPDU {
		a.Server = first&1 != 0
	}
	if a.Type == SegmentAck {
		a.Negative = first&2 != 0
	} else {
		a.Service = r.u8()
	}
	if a.Type != SimpleAck && a.Type != SegmentAck && a.Type < RejectPDU && len(r.rest) > 0 {
		a.Data = r.rest
	}
	return a, r.err()
}
