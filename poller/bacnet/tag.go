package bacnet

import (
	"encoding/binary"
	"errors"
)

// ErrMalformed is the error of bytes that are not what the standard lays down.
var ErrMalformed = errors.New("not a BACnet message as the standard lays it down")

// Tags of clause 20.2.1: number in the high half, class in bit 3, length or
// value or kind in the low three bits.
const (
	contextClass = 0x08
	extended     = 5 // the length follows
	opening      = 6
	closing      = 7
)

// tag is the head of a data element.
type tag struct {
	number  uint8
	context bool
	kind    uint8  // opening, closing, or 0 of a primitive element
	length  uint32 // bytes that follow; of an application boolean its value
}

// appendTag writes the head of a primitive element.
func appendTag(b []byte, number uint8, class uint8, length int) []byte {
	first := class | uint8(min(length, extended))
	if number < 15 {
		b = append(b, number<<4|first)
	} else {
		b = append(b, 0xF0|first, number)
	}
	switch {
	case length < extended:
		return b
	case length < 254:
		return append(b, uint8(length))
	case length < 1<<16:
		return binary.BigEndian.AppendUint16(append(b, 254), uint16(length))
	}
	return binary.BigEndian.AppendUint32(append(b, 255), uint32(length))
}

// appendOpening and appendClosing write the brackets around constructed data;
// the standard's services have no bracket above 14.
func appendOpening(b []byte, number uint8) []byte { return append(b, number<<4|contextClass|opening) }
func appendClosing(b []byte, number uint8) []byte { return append(b, number<<4|contextClass|closing) }

// appendContext writes an unsigned number under a context tag.
func appendContext(b []byte, number uint8, n uint32) []byte {
	content := minimal(uint64(n))
	return append(appendTag(b, number, contextClass, len(content)), content...)
}

// appendContextObject writes an object identifier under a context tag.
func appendContextObject(b []byte, number uint8, o ObjectID) []byte {
	return binary.BigEndian.AppendUint32(appendTag(b, number, contextClass, 4), o.raw())
}

// minimal is an unsigned number in as few bytes as hold it, at least one.
func minimal(n uint64) []byte {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], n)
	first := 0
	for first < 7 && b[first] == 0 {
		first++
	}
	return b[first:]
}

// reader takes a message apart. After its first fault everything it gives is
// zero, so that only the end need be looked at.
type reader struct {
	rest []byte
	bad  bool
}

func (r *reader) fail() { r.bad, r.rest = true, nil }

// err is how the taking apart ended.
func (r *reader) err() error {
	if r.bad {
		return ErrMalformed
	}
	return nil
}

// take gives the next n bytes, which stay part of the message.
func (r *reader) take(n uint32) []byte {
	if uint64(n) > uint64(len(r.rest)) {
		r.fail()
		return nil
	}
	out := r.rest[:n:n]
	r.rest = r.rest[n:]
	return out
}

func (r *reader) u8() uint8 {
	if b := r.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (r *reader) u16() uint16 {
	if b := r.take(2); b != nil {
		return binary.BigEndian.Uint16(b)
	}
	return 0
}

// tag takes the head of the next element.
func (r *reader) tag() (t tag) {
	first := r.u8()
	t.number, t.context, t.length = first>>4, first&contextClass != 0, uint32(first&7)
	if t.number == 15 {
		t.number = r.u8()
	}
	if t.context && t.length >= opening {
		t.kind, t.length = uint8(t.length), 0
		return t
	}
	if t.length == extended {
		t.length = r.longLength()
	} else if t.length > extended {
		r.fail()
	}
	return t
}

// longLength takes a length that did not fit into the first byte.
func (r *reader) longLength() uint32 {
	switch n := r.u8(); n {
	case 254:
		return uint32(r.u16())
	case 255:
		if b := r.take(4); b != nil {
			return binary.BigEndian.Uint32(b)
		}
		return 0
	default:
		return uint32(n)
	}
}

// peek gives the head of the next element and leaves it where it is.
func (r *reader) peek() (tag, bool) {
	ahead := reader{rest: r.rest}
	t := ahead.tag()
	return t, !ahead.bad
}

// next reports whether the next element has this context tag and kind.
func (r *reader) next(number, kind uint8) bool {
	t, ok := r.peek()
	return ok && t.context && t.number == number && t.kind == kind
}

// bracket takes an opening or closing tag.
func (r *reader) bracket(number, kind uint8) {
	if !r.next(number, kind) {
		r.fail()
		return
	}
	r.tag()
}

// context takes the content of a primitive element with this context tag.
func (r *reader) context(number uint8) []byte {
	if !r.next(number, 0) {
		r.fail()
		return nil
	}
	return r.take(r.tag().length)
}

// number takes an unsigned number of at most 32 bits under a context tag.
func (r *reader) number(number uint8) uint32 {
	content := r.context(number)
	if len(content) == 0 || len(content) > 4 {
		r.fail()
		return 0
	}
	return uint32(unsigned(content))
}

// object takes an object identifier under a context tag.
func (r *reader) object(number uint8) ObjectID {
	content := r.context(number)
	if len(content) != 4 {
		r.fail()
		return ObjectID{}
	}
	return objectID(uint32(unsigned(content)))
}

// unsigned is the number in up to eight bytes.
func unsigned(content []byte) (n uint64) {
	for _, b := range content {
		n = n<<8 | uint64(b)
	}
	return n
}
