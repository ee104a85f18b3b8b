package network

import (
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/objects"
)

// mostWatches bounds the subscriptions of a device, as its memory does.
const mostWatches = 64

// noticeTimeout is how long an answer to a notice is waited for. (A device
// object's apdu-timeout; from memory.)
const noticeTimeout = 3 * time.Second

// watcher is who subscribed to what (clause 13.14: these three tell one
// subscription from another).
type watcher struct {
	peer    bacnet.Station
	process uint32
	object  bacnet.ObjectID
}

// watch is one subscription.
type watch struct {
	confirmed bool
	until     time.Time // zero: for ever
	told      objects.Shown
}

// notice is a confirmed notification whose answer is awaited.
type notice struct {
	apdu  bacnet.APDU
	sent  time.Time
	tries int
}

// subscribe takes a subscription, renews it, or ends it, and tells a new
// subscriber what stands.
func (n *Network) subscribe(s *Station, peer bacnet.Station, a bacnet.APDU) {
	c, err := bacnet.ParseSubscribeCOV(a.Data)
	if err != nil {
		n.send(s, peer, objects.Rejected(a, bacnet.InvalidTag), false)
		return
	}
	w := watcher{peer, c.Process, c.Object}
	if refused := s.takes(w, c); refused != nil {
		n.send(s, peer, objects.Failed(a, refused), false)
		return
	}
	n.send(s, peer, objects.Acknowledged(a), false)
	if c.Cancel {
		delete(s.watches, w)
		return
	}
	if s.watches == nil {
		s.watches = make(map[watcher]*watch)
	}
	subscription := &watch{confirmed: c.Confirmed}
	if c.Lifetime > 0 {
		subscription.until = n.now.Add(time.Duration(c.Lifetime) * time.Second)
	}
	s.watches[w] = subscription
	n.tell(s, w, subscription, s.Device.Object(c.Object).Now())
}

// takes says why a device does not take a subscription.
func (s *Station) takes(w watcher, c bacnet.SubscribeCOV) *bacnet.RemoteError {
	switch {
	case s.Device.RefusesSubscriptions:
		return objects.NotSupported()
	case c.Cancel:
		return nil
	case s.Device.Object(c.Object) == nil:
		return objects.UnknownObject()
	case s.watches[w] == nil && len(s.watches) >= mostWatches:
		return objects.NoSpace()
	}
	return nil
}

// tellChanges tells subscribers of what has changed since they were told.
func (n *Network) tellChanges(s *Station) {
	for w, subscription := range s.watches {
		if !subscription.until.IsZero() && n.now.After(subscription.until) || s.Device.RefusesSubscriptions {
			delete(s.watches, w)
			continue
		}
		o := s.Device.Object(w.object)
		if now := o.Now(); !s.Silent && o.Changed(subscription.told, now) {
			n.tell(s, w, subscription, now)
		}
	}
}

// tell tells one subscriber what an object shows now.
func (n *Network) tell(s *Station, w watcher, subscription *watch, now objects.Shown) {
	subscription.told = now
	c := bacnet.COVNotification{Process: w.process, Device: s.Device.ID(), Object: w.object, Values: []bacnet.Result{
		{Reference: bacnet.Reference{Object: w.object, Property: bacnet.PresentValue}, Values: []bacnet.Value{now.Value}},
		{Reference: bacnet.Reference{Object: w.object, Property: bacnet.StatusFlagsOf}, Values: []bacnet.Value{bacnet.FlagsValue(now.Flags)}},
	}}
	if !subscription.until.IsZero() {
		c.Remaining = uint32(subscription.until.Sub(n.now) / time.Second)
	}
	if !subscription.confirmed {
		n.send(s, w.peer, bacnet.APDU{Type: bacnet.UnconfirmedRequest, Service: bacnet.ServiceUnconfirmedCOV, Data: c.Append(nil)}, false)
		return
	}
	if s.notices == nil {
		s.notices = make(map[exchange]*notice)
	}
	s.invoke++
	e := exchange{w.peer, s.invoke}
	sent := &notice{sent: n.now, apdu: bacnet.APDU{Type: bacnet.ConfirmedRequest, MaxAPDU: 5, InvokeID: s.invoke,
		Service: bacnet.ServiceConfirmedCOV, Data: c.Append(nil)}}
	s.notices[e] = sent
	n.send(s, w.peer, sent.apdu, true)
}

// noticed takes the answer to a notice, whatever it says.
func (n *Network) noticed(s *Station, e exchange) { delete(s.notices, e) }

// remind sends notices again that nobody answered.
func (n *Network) remind(s *Station) {
	for e, sent := range s.notices {
		if n.now.Sub(sent.sent) < noticeTimeout || s.Silent {
			continue
		}
		if sent.tries++; sent.tries > tries {
			delete(s.notices, e)
			continue
		}
		sent.sent = n.now
		n.send(s, e.peer, sent.apdu, true)
	}
}
