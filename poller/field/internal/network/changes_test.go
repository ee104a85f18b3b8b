package network

import (
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/poller/bacnet"
)

// A subscriber of either kind is told what stands, and of every change while the
// subscription lasts.
func TestSubscribersAreToldOfChanges(t *testing.T) {
	for _, confirmed := range []bool{false, true} {
		with(t, bacnet.Options{}, func(t *testing.T, s *site, c *bacnet.Client) {
			var told []string
			cancel, err := c.Watch(t.Context(), 1203, first.Object, confirmed, time.Minute, func(n bacnet.COVNotification) {
				value, _ := n.Values[0].Values[0].Number()
				told = append(told, fmt.Sprint(value, " ", n.Remaining))
			})
			if err != nil {
				t.Fatal(err)
			}
			change := func(v float32, after time.Duration) {
				time.Sleep(after)
				s.mu.Lock()
				s.values[1203] = v
				s.mu.Unlock()
			}
			change(1203, 5010*time.Millisecond)
			change(1204, 5*time.Second)
			change(1205, 100*time.Second) // the client renews it
			time.Sleep(time.Second)
			synctest.Wait()
			want := []string{"1203 60", "1204 49", "1204 60", "1204 60", "1204 60", "1205 39"}
			if !slices.Equal(told, want) {
				t.Errorf("confirmed %t: %q, want %q", confirmed, told, want)
			}
			cancel()
			time.Sleep(time.Second)
			if change(1, 0); len(s.network.Stations[2].watches) > 0 || len(s.network.Stations[2].notices) > 0 {
				t.Errorf("confirmed %t: still subscribed", confirmed)
			}
		})
	}
}

func subscription(process uint32, confirmed bool, lifetime uint32) bacnet.APDU {
	return request(bacnet.ServiceSubscribeCOV, bacnet.SubscribeCOV{Process: process, Object: first.Object, Confirmed: confirmed, Lifetime: lifetime}.Append(nil), 5)
}

func TestASubscriptionRunsOut(t *testing.T) {
	begun := time.Unix(0, 0)
	s := newSite()
	for process, lifetime := range []uint32{10, 0} {
		s.give(begun, subscription(uint32(process), false, lifetime))
	}
	for _, c := range []struct {
		seconds time.Duration
		want    int
	}{{10, 2}, {11, 1}, {1e5, 1}} {
		s.network.Tick(begun.Add(c.seconds * time.Second))
		if got := len(s.network.Stations[0].watches); got != c.want {
			t.Errorf("after %d s there are %d subscriptions, want %d", c.seconds, got, c.want)
		}
	}
}

// A notice that wants an answer is sent four times in all.
func TestANoticeIsRepeatedUntilItIsAnswered(t *testing.T) {
	begun := time.Unix(0, 0)
	for answered, want := range map[int]int{1: 1, 2: 2, 99: 4} {
		s := newSite()
		s.give(begun, subscription(1, true, 60))
		notices := 0
		for second := range 20 {
			now := begun.Add(time.Duration(second) * time.Second)
			s.network.Tick(now)
			for _, datagram := range s.sent {
				m, _ := bacnet.ParseBVLC(datagram)
				p, _ := bacnet.ParseNPDU(m.Data)
				if a, _ := bacnet.ParseAPDU(p.Data); a.Type == bacnet.ConfirmedRequest {
					if notices++; notices == answered {
						s.give(now, bacnet.APDU{Type: bacnet.SimpleAck, InvokeID: a.InvokeID, Service: bacnet.ServiceConfirmedCOV})
					}
				}
			}
			s.sent = nil
		}
		if notices != want || len(s.network.Stations[0].notices) > 0 {
			t.Errorf("answered at the notice %d: %d notices, want %d", answered, notices, want)
		}
	}
}

// Codes: clause 18; 20 is no space to add, 45 functionality not supported.
func TestASubscriptionCanBeRefused(t *testing.T) {
	unknown := request(bacnet.ServiceSubscribeCOV, bacnet.SubscribeCOV{Object: bacnet.ObjectID{Instance: 99}, Lifetime: 9}.Append(nil), 5)
	for name, c := range map[string]struct {
		before func(*site)
		ask    bacnet.APDU
		want   bacnet.APDU
	}{
		"an unknown object": {func(*site) {}, unknown, bacnet.APDU{Type: bacnet.ErrorPDU, Data: bacnet.AppendError(nil, bacnet.RemoteError{Class: 1, Code: 31})}},
		"it cannot": {func(s *site) { s.network.Stations[0].Device.RefusesSubscriptions = true }, subscription(1, false, 9),
			bacnet.APDU{Type: bacnet.ErrorPDU, Data: bacnet.AppendError(nil, bacnet.RemoteError{Class: 5, Code: 45})}},
		"no room": {func(s *site) {
			for i := range uint32(mostWatches) {
				s.give(time.Unix(0, 0), subscription(100+i, false, 9))
			}
		}, subscription(1, false, 9), bacnet.APDU{Type: bacnet.ErrorPDU, Data: bacnet.AppendError(nil, bacnet.RemoteError{Class: 3, Code: 20})}},
		"no sense": {func(*site) {}, request(bacnet.ServiceSubscribeCOV, []byte{1}, 5), bacnet.APDU{Type: bacnet.RejectPDU}},
	} {
		s := newSite()
		c.before(s)
		s.sent = nil
		s.give(time.Unix(0, 0), c.ask)
		m, _ := bacnet.ParseBVLC(s.sent[0])
		p, _ := bacnet.ParseNPDU(m.Data)
		if a, err := bacnet.ParseAPDU(p.Data); err != nil || len(s.sent) != 1 || a.Type != c.want.Type || string(a.Data) != string(c.want.Data) {
			t.Errorf("%s: %+v, %v", name, a, err)
		}
	}
}
