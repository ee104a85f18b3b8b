package bacnet

// Reference names a property of an object, or one element of it.
type Reference struct {
	Object   ObjectID
	Property PropertyID
	Indexed  bool
	Index    uint32 // 0: the number of elements; 1: the first
}

// Result is what was read of a property: its values, or why there are none.
type Result struct {
	Reference
	Values []Value
	// Err is of this property alone, or nil: a *[RemoteError], and where it was read by
	// itself also a *[Reject], an *[Abort] or [ErrMalformed].
	Err error
}

// appendProperty writes property and index under the context tags n and n+1.
func (p Reference) appendProperty(b []byte, n uint8) []byte {
	b = appendContext(b, n, uint32(p.Property))
	if p.Indexed {
		b = appendContext(b, n+1, p.Index)
	}
	return b
}

func (r *reader) property(p *Reference, n uint8) {
	p.Property = PropertyID(r.number(n))
	if p.Indexed = r.next(n+1, 0); p.Indexed {
		p.Index = r.number(n + 1)
	}
}

// AppendReadProperty writes the request of clause 15.5.
func AppendReadProperty(b []byte, p Reference) []byte {
	return p.appendProperty(appendContextObject(b, 0, p.Object), 1)
}

// ParseReadProperty takes that request apart.
func ParseReadProperty(b []byte) (p Reference, err error) {
	r := reader{rest: b}
	p.Object = r.object(0)
	r.property(&p, 1)
	return p, r.end()
}

// AppendReadPropertyAck writes the answer to it.
func AppendReadPropertyAck(b []byte, a Result) []byte {
	return appendValues(AppendReadProperty(b, a.Reference), 3, a.Values)
}

// ParseReadPropertyAck takes that answer apart.
func ParseReadPropertyAck(b []byte) (a Result, err error) {
	r := reader{rest: b}
	a.Object = r.object(0)
	r.property(&a.Reference, 1)
	a.Values = r.values(3)
	return a, r.end()
}

// end is how the taking apart ended; what is left over is a fault too.
func (r *reader) end() error {
	if len(r.rest) > 0 {
		r.fail()
	}
	return r.err()
}

// AppendReadPropertyMultiple writes the request of clause 15.7. Neighbours of
// one object are asked for together.
func AppendReadPropertyMultiple(b []byte, all []Reference) []byte {
	for i, p := range all {
		if i == 0 || all[i-1].Object != p.Object {
			b = appendOpening(appendContextObject(b, 0, p.Object), 1)
		}
		b = p.appendProperty(b, 0)
		if i == len(all)-1 || all[i+1].Object != p.Object {
			b = appendClosing(b, 1)
		}
	}
	return b
}

// ParseReadPropertyMultiple takes that request apart.
func ParseReadPropertyMultiple(b []byte) (all []Reference, err error) {
	r := reader{rest: b}
	for !r.bad && len(r.rest) > 0 {
		p := Reference{Object: r.object(0)}
		r.bracket(1, opening)
		for !r.bad && !r.next(1, closing) {
			r.property(&p, 0)
			all = append(all, p)
		}
		r.bracket(1, closing)
	}
	return all, r.end()
}

// AppendReadPropertyMultipleAck writes the answer to it.
func AppendReadPropertyMultipleAck(b []byte, all []Result) []byte {
	for i, a := range all {
		if i == 0 || all[i-1].Object != a.Object {
			b = appendOpening(appendContextObject(b, 0, a.Object), 1)
		}
		b = a.appendProperty(b, 2)
		if e, bad := a.Err.(*RemoteError); bad {
			b = appendClosing(e.append(appendOpening(b, 5)), 5)
		} else {
			b = appendValues(b, 4, a.Values)
		}
		if i == len(all)-1 || all[i+1].Object != a.Object {
			b = appendClosing(b, 1)
		}
	}
	return b
}

// ParseReadPropertyMultipleAck takes that answer apart.
func ParseReadPropertyMultipleAck(b []byte) (all []Result, err error) {
	r := reader{rest: b}
	for !r.bad && len(r.rest) > 0 {
		object := r.object(0)
		r.bracket(1, opening)
		for !r.bad && !r.next(1, closing) {
			all = append(all, r.result(object))
		}
		r.bracket(1, closing)
	}
	return all, r.end()
}

// result takes one property's values or error.
func (r *reader) result(object ObjectID) (a Result) {
	a.Object = object
	r.property(&a.Reference, 2)
	if !r.next(5, opening) {
		a.Values = r.values(4)
		return a
	}
	r.bracket(5, opening)
	a.Err = r.remoteError()
	r.bracket(5, closing)
	return a
}
