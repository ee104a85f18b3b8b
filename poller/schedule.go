package poller

import (
	"hash/fnv"
	"time"

	"fanwarden/poller/reading"
)

// schedule is a grid of instants, one period apart, on which a gateway's
// cycles start. It does not drift: the n-th start is computed from the first.
type schedule struct {
	first  time.Time
	period time.Duration
	next   int // the start to come, counted from first
}

// newSchedule spreads the gateways over the period: each has its own place in
// it, which follows from its id and stays the same over restarts. The first
// start is at or after now and less than one period away.
func newSchedule(id reading.GatewayID, period time.Duration, now time.Time) schedule {
	hash := fnv.New64a()
	hash.Write([]byte(id))
	phase := time.Duration(spread(hash.Sum64()) % uint64(period))
	into := time.Duration(now.UnixNano() % int64(period))
	wait := (phase - into + period) % period
	return schedule{first: now.Add(wait), period: period}
}

// spread mixes the bits of a hash, so that ids that differ in their last
// letter only come to lie far apart. It is the finalizer of MurmurHash3
// (constants from memory; any good mixing would do).
func spread(h uint64) uint64 {
	h ^= h >> 33
	h *= 0xff51afd7ed558ccd
	h ^= h >> 33
	h *= 0xc4ceb9fe1a85ec53
	return h ^ h>>33
}

// start returns when the next cycle starts.
func (s *schedule) start() time.Time { return s.first.Add(time.Duration(s.next) * s.period) }

// advance moves on to the first start that is not before now, and returns how
// many starts were missed on the way.
func (s *schedule) advance(now time.Time) (missed int) {
	s.next++
	if behind := now.Sub(s.start()); behind > 0 {
		missed = int((behind + s.period - 1) / s.period)
		s.next += missed
	}
	return missed
}
