package daemon

import (
	"context"
	"sync"
	"time"

	"fanwarden/config"
	"fanwarden/export/notify"
)

// deaf is how long nothing may be read before the daemon counts as one that
// does not do its work, and its heartbeat stops. Gateways that are down are read
// in vain, and count as read.
const deaf = 2 * time.Minute

// startNotify carries messages out of the building, and tells that the daemon
// lives.
func (d *Daemon) startNotify(version string) {
	notice := func() config.Notify { return d.judge.board.Snapshot().Fleet.Notify }
	courier := notify.NewCourier(d.desk, func() []*config.Way { return notice().Ways }, version, d.log)
	began := time.Now()
	beat := func() (notify.Beat, bool) {
		now := time.Now()
		b := notify.Beat{Site: d.judge.board.Snapshot().Fleet.Name, Version: version, Time: now.UTC(), Standing: d.desk.standing()}
		return b, now.Sub(began) < deaf || d.lively(now)
	}
	heart := notify.NewHeartbeat(func() *config.Heartbeat { return notice().Heartbeat }, beat, version, d.log)
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { courier.Run(ctx) })
	running.Go(func() { heart.Run(ctx) })
	d.undo = append(d.undo, func() { cancel(); running.Wait() })
}

// lively reports whether a cycle of any gateway ended lately.
func (d *Daemon) lively(now time.Time) bool {
	s := d.judge.board.Snapshot()
	for _, g := range s.Gateways {
		if now.Sub(g.Last) < deaf+2*g.Gateway.PollEvery {
			return true
		}
	}
	return len(s.Gateways) == 0
}
