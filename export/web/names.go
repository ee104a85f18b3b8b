package web

import (
	"fanwarden/config"
	"fanwarden/poller/reading"
)

// names are what a fleet file calls its fans. Alarms and the journal know fans by
// their id only, and outlive them.
type names struct {
	fleet *config.Fleet
	fans  map[reading.FanID]string
}

// names returns those of the current fleet, which are gathered once.
func (s *site) names() *names {
	snapshot := s.snapshot()
	if snapshot == nil {
		return &names{}
	}
	if n := s.named.Load(); n != nil && n.fleet == snapshot.Fleet {
		return n
	}
	n := &names{snapshot.Fleet, make(map[reading.FanID]string, len(snapshot.Fleet.Fans))}
	for _, f := range snapshot.Fleet.Fans {
		n.fans[f.ID] = f.Name
	}
	s.named.Store(n)
	return n
}
