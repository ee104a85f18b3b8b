package web

import (
	"math"
	"sync"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// picture is what all streams show of one second. What it shares with the one
// before is not worked out again.
type picture struct {
	snapshot *export.Snapshot
	now      time.Time
	ledger   *ledger
	layout   *layout
	fans     []fanState // in the order of the snapshot
	newest   time.Time  // of the good readings; zero for none

	counted sync.Once
	summary []byte
}

// fanState is what the counts and the plane show of a fan.
type fanState struct {
	dot
	up bool
}

// layout is what changes with the fleet file only.
type layout struct {
	fleet    *config.Fleet
	building []int // of each fan, by its place in the file

	listed sync.Once
	list   []byte // of the fans, for the plane
}

func newLayout(fleet *config.Fleet) *layout {
	place := make(map[*config.Building]int, len(fleet.Buildings))
	for i, b := range fleet.Buildings {
		place[b] = i
	}
	l := &layout{fleet: fleet, building: make([]int, len(fleet.Fans))}
	for i, f := range fleet.Fans {
		l.building[i] = place[f.Building]
	}
	return l
}

// picture returns that of this second: the first stream that asks makes it for
// all.
func (s *site) picture() *picture {
	s.drawing.Lock()
	defer s.drawing.Unlock()
	now := s.now()
	last, notes := s.drawn, s.notes()
	if last == nil || last.ledger != notes || !last.now.Truncate(time.Second).Equal(now.Truncate(time.Second)) {
		s.drawn = newPicture(s.snapshot(), now, notes, last)
	}
	return s.drawn
}

// newPicture looks at a snapshot. The picture before it may be nil.
func newPicture(snapshot *export.Snapshot, now time.Time, notes *ledger, before *picture) *picture {
	p := &picture{snapshot: snapshot, now: now, ledger: notes, fans: make([]fanState, len(snapshot.Fans))}
	same := before != nil && before.layout.fleet == snapshot.Fleet
	if same {
		p.layout = before.layout
	} else {
		p.layout = newLayout(snapshot.Fleet)
	}
	for i, f := range snapshot.Fans {
		if same && steady(before.snapshot.Fans[i], f, now) {
			p.fans[i] = before.fans[i]
		} else {
			p.fans[i] = fanState{dotOf(f, now), f.Up(now)}
		}
		if f.LastGood.After(p.newest) {
			p.newest = f.LastGood
		}
	}
	return p
}

// steady reports whether nothing of a fan can have changed since an earlier
// picture: it is the same, and what it said is not too old yet.
func steady(before, f *export.Fan, now time.Time) bool {
	stale := f.Fan.Gateway.StaleAfter
	return before == f && now.Sub(f.Values.Time) <= stale && now.Sub(f.Polled) <= stale
}

// dot is a fan's mark on the plane.
type dot struct {
	x, y       int16  // nowhere where they are not known
	rank, mode uint8  //
	conditions uint32 // a bit for each that stands unexplained, by its place in the catalogue
}

// nowhere is a coordinate that is not known.
const nowhere = math.MinInt16

// The scale of the plane: full speed is 200 to the right, setpoint is 0 and
// nothing of it 100 below. What is farther off than mostOff is drawn there.
const (
	fullSpeed  = 200
	atSetpoint = 100
	mostOff    = 400
)

var catalogue = placesOf(condition.Catalogue())

func placesOf(all []condition.Definition) map[condition.Name]int {
	places := make(map[condition.Name]int, len(all))
	for i, d := range all {
		places[d.Name] = i
	}
	return places
}

func dotOf(f *export.Fan, now time.Time) dot {
	d := dot{x: nowhere, y: nowhere, rank: uint8(fanRank(f, now)), mode: uint8(f.ModeAt(now))}
	if speed, ok := f.Fresh(reading.Speed, now); ok {
		d.x = onPlane(speed * fullSpeed)
	}
	value, read := f.Fresh(f.Fan.Controlled(), now)
	if setpoint, ok := f.Setpoint(now); ok && read && setpoint != 0 {
		d.y = onPlane(atSetpoint * (value/setpoint - 1))
	}
	for _, s := range f.Standing {
		if s.SilencedBy == "" {
			d.conditions |= 1 << catalogue[s.Condition]
		}
	}
	return d
}

func onPlane(v float64) int16 { return int16(math.Round(max(-mostOff, min(mostOff, v)))) }
