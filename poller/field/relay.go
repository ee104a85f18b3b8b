package field

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// relay is a gateway as it stands between the network and its fans: what it
// hears of them, and what its own troubles are. The server's lock guards it.
type relay struct {
	gateway *config.Gateway
	server  *Server
	fans    []*config.Fan // in the fleet's order
	random  *rand.Rand
}

func newRelay(g *config.Gateway, s *Server, seed uint64) relay {
	name := fnv.New64a()
	name.Write([]byte(g.ID))
	r := relay{gateway: g, server: s, random: rand.New(rand.NewPCG(seed, name.Sum64()))}
	for _, fan := range s.field.Fleet().Fans {
		if fan.Gateway == g {
			r.fans = append(r.fans, fan)
		}
	}
	return r
}

// troubles are the faults of a gateway that are on now.
type troubles struct {
	trunk   *Fault
	zeros   *Fault
	repeats bool
}

// troubles reads the gateway's faults off the field. The server's lock is held.
func (r *relay) troubles() troubles {
	return troubles{trunk: r.on(TrunkCut), zeros: r.on(ZeroFills), repeats: r.on(RepeatsOld) != nil}
}

// lateness is how much later than it could a slow gateway answers now; 0 where it
// is not slow.
func (r *relay) lateness() time.Duration {
	r.server.mu.Lock()
	defer r.server.mu.Unlock()
	return r.slowness()
}

// slowness is the same with the server's lock held.
func (r *relay) slowness() time.Duration {
	switch slow := r.on(SlowLine); {
	case slow == nil:
		return 0
	case slow.Size == 0:
		return r.gateway.Timeout / 2
	default:
		return time.Duration(slow.Size * float64(time.Second))
	}
}

// on returns a fault of the gateway that is on now, or nil.
func (r *relay) on(kind Kind) *Fault {
	if fault, on := r.server.field.On("", r.gateway.ID, kind); on {
		return &fault
	}
	return nil
}

// zeroFills reports whether the gateway shows zeros where it has lost a fan.
func (r *relay) zeroFills(now troubles, fan *config.Fan) bool {
	return now.zeros != nil || fan.PointMap.AbsentIfAllZero
}

func (r *relay) lost(now troubles, fan *config.Fan) bool {
	_, lost := r.lostSince(now, fan)
	return lost
}

// lostSince reports whether the gateway does not hear a fan's unit, and since
// when. A gateway that fills with zeros while it hears all its units has lost
// them all.
func (r *relay) lostSince(now troubles, fan *config.Fan) (time.Time, bool) {
	if now.trunk != nil {
		return r.server.began(*now.trunk), true
	}
	if fault, on := r.server.field.On(fan.ID, "", SilentUnit); on {
		return r.server.began(fault), true
	}
	if now.zeros != nil && !r.anySilent() {
		return r.server.began(*now.zeros), true
	}
	return time.Time{}, false
}

func (r *relay) anySilent() bool {
	for _, fan := range r.fans {
		if _, on := r.server.field.On(fan.ID, "", SilentUnit); on {
			return true
		}
	}
	return false
}

// misses reports whether a point is of a fan that the gateway does not hear.
// How long it has not heard it the gateway knows by itself.
func (r *relay) misses(now troubles, m mapped) bool {
	return m.fan != nil && m.Point != reading.HeardAgo && r.lost(now, m.fan)
}

// value returns what a point means now, in base units; NaN is no value.
func (r *relay) value(now troubles, m mapped) float64 {
	switch m.Point {
	case reading.HeardAgo:
		return r.heardAgo(now, m.fan).Seconds()
	case reading.Heartbeat:
		return float64(r.server.field.Now().Unix() % 30000) // fits every type
	}
	asked := m.fan
	if asked == nil {
		if len(r.fans) == 0 {
			return math.NaN()
		}
		asked = r.fans[0] // one weather for all
	}
	value, ok := r.server.field.Value(asked.ID, m.Point)
	if !ok {
		return math.NaN()
	}
	return value
}

// heardAgo returns how long the gateway has not heard a fan's unit, or, with
// nil, any unit.
func (r *relay) heardAgo(now troubles, fan *config.Fan) time.Duration {
	if fan == nil {
		if len(r.fans) == 0 {
			return 0
		}
		least := r.heardAgo(now, r.fans[0])
		for _, other := range r.fans[1:] {
			least = min(least, r.heardAgo(now, other))
		}
		return least
	}
	since, lost := r.lostSince(now, fan)
	if !lost {
		return 0
	}
	return r.server.field.Now().Sub(since)
}
