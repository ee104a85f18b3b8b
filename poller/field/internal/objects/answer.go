package objects

import "fanwarden/poller/bacnet"

// Answer carries out a confirmed request that reads or writes, and returns the
// whole answer, however long it is. Other services are rejected.
func (d *Device) Answer(a bacnet.APDU) bacnet.APDU {
	switch a.Service {
	case bacnet.ServiceReadProperty:
		return d.readOne(a)
	case bacnet.ServiceReadPropertyMultiple:
		return d.readMany(a)
	case bacnet.ServiceWriteProperty:
		return d.writeOne(a)
	}
	return Rejected(a, bacnet.UnrecognizedService)
}

// Acknowledged answers a request that was carried out and brings nothing back.
func Acknowledged(a bacnet.APDU) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.SimpleAck, InvokeID: a.InvokeID, Service: a.Service}
}

// Rejected answers a request that is not understood.
func Rejected(a bacnet.APDU, reason uint8) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.RejectPDU, InvokeID: a.InvokeID, Service: reason}
}

// Aborted breaks a request off.
func Aborted(a bacnet.APDU, reason uint8) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.AbortPDU, Server: true, InvokeID: a.InvokeID, Service: reason}
}

// Failed answers a request that cannot be carried out.
func Failed(a bacnet.APDU, e *bacnet.RemoteError) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.ErrorPDU, InvokeID: a.InvokeID, Service: a.Service, Data: bacnet.AppendError(nil, *e)}
}

func complete(a bacnet.APDU, data []byte) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.ComplexAck, InvokeID: a.InvokeID, Service: a.Service, Data: data}
}

func (d *Device) readOne(a bacnet.APDU) bacnet.APDU {
	p, err := bacnet.ParseReadProperty(a.Data)
	if err != nil {
		return Rejected(a, bacnet.InvalidTag)
	}
	values, refused := d.Read(p)
	if refused != nil {
		return Failed(a, refused)
	}
	return complete(a, bacnet.AppendReadPropertyAck(nil, bacnet.Result{Reference: p, Values: values}))
}

func (d *Device) readMany(a bacnet.APDU) bacnet.APDU {
	switch d.RefusesMultiple {
	case WithError:
		return Failed(a, NotSupported())
	case WithReject:
		return Rejected(a, bacnet.UnrecognizedService)
	case WithAbort:
		return Aborted(a, bacnet.AbortOther)
	}
	asked, err := bacnet.ParseReadPropertyMultiple(a.Data)
	if err != nil || len(asked) == 0 {
		return Rejected(a, bacnet.InvalidTag)
	}
	all := make([]bacnet.Result, 0, len(asked))
	for _, each := range asked {
		for _, p := range d.expand(each) {
			r := bacnet.Result{Reference: p}
			values, refused := d.Read(p)
			if r.Values = values; refused != nil {
				r.Err = refused
			}
			all = append(all, r)
		}
	}
	return complete(a, bacnet.AppendReadPropertyMultipleAck(nil, all))
}

func (d *Device) writeOne(a bacnet.APDU) bacnet.APDU {
	w, err := bacnet.ParseWrite(a.Data)
	if err != nil {
		return Rejected(a, bacnet.InvalidTag)
	}
	refused := writeDenied()
	if o := d.byID[w.Object]; o != nil {
		refused = o.write(w)
	} else if !d.itself(w.Object) {
		refused = UnknownObject()
	}
	if refused != nil {
		return Failed(a, refused)
	}
	return Acknowledged(a)
}
