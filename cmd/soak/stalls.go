package main

import (
	"sync/atomic"
	"time"
)

// stalls measures the machine: how much longer than it asked for somebody sleeps
// who does nothing else. A run on a machine that stands still for seconds says
// little of the daemon.
type stalls struct {
	longest atomic.Int64 // ns
	over    atomic.Int64 // how many were above much
}

const (
	nap  = 10 * time.Millisecond
	much = 300 * time.Millisecond
)

func (s *stalls) run(done <-chan struct{}) {
	for {
		began := time.Now()
		select {
		case <-done:
			return
		case <-time.After(nap):
		}
		late := time.Since(began) - nap
		if int64(late) > s.longest.Load() {
			s.longest.Store(int64(late))
		}
		if late > much {
			s.over.Add(1)
		}
	}
}
