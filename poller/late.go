package poller

import (
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// late remembers requests whose answers may still come, on a transport that
// gives answers no number: RTU on a serial line or over TCP.
//
// There, nothing but its unit, its function and its length ties an answer to
// its request. A transparent serial server even hands a late answer to the
// connection that was opened after the request was given up. The first defence
// is time: after a failure the connection is closed, and the next one is opened
// only when the gateway's late_reply has passed. This is the second, for
// answers that are later still: as long as one could come, no request is sent
// that it would fit. The block is asked for with a few unused registers behind
// it instead where max_gap allows them, or in parts of other lengths, or, where
// neither can be, not at all until the danger is over.
//
// UDP has numbers, but they begin anew with every socket, and a new socket can
// have the old one's port: the second defence holds there as well, until
// late_reply has passed. A TCP connection takes its late answers with it when
// it closes.
type late struct {
	horizon time.Duration // how long an answer may still come; 0: answers have numbers
	lost    []lost        // the oldest first
}

// lost is one request whose answer did not come in time.
type lost struct {
	unit  int
	table decode.Table
	bytes int
	at    time.Time
}

// horizons is how many times timeout and late_reply an answer is feared: far
// beyond what the fleet file says that it may take.
const horizons = 5

func newLate(gateway *config.Gateway) late {
	switch {
	case numberless(gateway):
		return late{horizon: horizons * (gateway.Timeout + gateway.LateReply)}
	case gateway.Scheme == "udp":
		return late{horizon: gateway.LateReply}
	}
	return late{}
}

// add remembers a request whose answer did not come.
func (l *late) add(r *Request, now time.Time) {
	if l.horizon > 0 {
		l.lost = append(l.lost, lost{r.Unit, r.Table, r.bytes(), now})
	}
}

// forget drops what can no longer come.
func (l *late) forget(now time.Time) {
	gone := 0
	for gone < len(l.lost) && now.Sub(l.lost[gone].at) >= l.horizon {
		gone++
	}
	l.lost = append(l.lost[:0], l.lost[gone:]...)
}

// fits reports whether an answer that may still come would pass for the answer
// to a request of so many bytes.
func (l *late) fits(unit int, table decode.Table, bytes int) bool {
	for _, one := range l.lost {
		if one.unit == unit && one.table == table && one.bytes == bytes {
			return true
		}
	}
	return false
}

// doubts reports whether an exception from that unit and function may be a
// late one: exceptions have no length to know them by. What a gateway says of
// another unit is in no doubt, or one dead unit would put every other in it.
func (l *late) doubts(unit int, table decode.Table) bool {
	for _, one := range l.lost {
		if one.table == table && one.unit == unit {
			return true
		}
	}
	return false
}

// reshape returns the fewest requests that together bring what r brings and
// that no late answer fits, or none where there are no such parts.
func (l *late) reshape(r *Request) []Request {
	runs := r.runs()
	// best[i] is the fewest parts for the first i runs, from[i] where the last
	// of them begins.
	best, from := make([]int, len(runs)+1), make([]int, len(runs)+1)
	for end := 1; end <= len(runs); end++ {
		best[end] = -1
		for start := 0; start < end; start++ {
			part := joined(runs[start:end])
			if best[start] < 0 || l.fits(part.Unit, part.Table, part.bytes()) {
				continue
			}
			if best[end] < 0 || best[start]+1 < best[end] {
				best[end], from[end] = best[start]+1, start
			}
		}
	}
	if best[len(runs)] < 0 {
		return nil
	}
	var parts []Request
	for end := len(runs); end > 0; end = from[end] {
		parts = append(parts, joined(runs[from[end]:end]))
	}
	slices.Reverse(parts)
	return parts
}

// widen returns r with the fewest unused registers behind it that make an
// answer which no late one passes for. There are none to be had in a table of
// bits, beyond max_gap or the limits of a request, and where the device has
// refused them before.
func (l *late) widen(r *Request, gateway *config.Gateway) (wide Request, ok bool) {
	wide = *r
	if r.narrow || r.Table.Bits() {
		return wide, false
	}
	most := min(r.Count+gateway.MaxGap, limit(gateway), addresses-r.Address)
	for wide.Count < most {
		wide.Count++
		if !l.fits(wide.Unit, wide.Table, wide.bytes()) {
			return wide, true
		}
	}
	return wide, false
}
