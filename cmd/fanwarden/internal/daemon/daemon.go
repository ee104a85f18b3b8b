// Package daemon wires the rooms of the house together: it starts them in
// order, reloads the fleet file without losing what is known, and stops them
// in the reverse order.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/config"
	"fanwarden/export/metrics"
	"fanwarden/export/web"
	"fanwarden/poller"
	"fanwarden/poller/reading"
)

// publishEvery is how often the picture of the fleet is renewed for metrics
// and pages: well below any poll period, and rare enough to cost nothing.
const publishEvery = 250 * time.Millisecond

// drain is how long requests under way are given when the daemon stops.
const drain = 3 * time.Second

// Options say what to watch and how.
type Options struct {
	Path    string        // of the fleet file, for reloads
	Fleet   *config.Fleet // loaded from it
	Version string
	Log     *zap.Logger
	// Past, if set, is called before anything is polled. It feeds what is known
	// of the fans' past, in order of time, so that the rules judge the present in
	// its light; the daemon is not ready before it returns. Its error ends the
	// start.
	Past func(feed func(*reading.Reading)) error
	// History is the folder in which readings are kept where the fleet file gives
	// none; "" keeps none then.
	History string
}

// Daemon watches one fleet.
type Daemon struct {
	path   string
	log    *zap.Logger
	fleet  *config.Fleet
	desk   *desk
	judge  *judge
	poller *poller.Poller
	addr   net.Addr
	failed chan error
	undo   []func()
}

// Start brings up a daemon. What stands already is taken down again when a
// later step fails. The caller must Stop it.
func Start(o Options) (*Daemon, error) {
	d := &Daemon{path: o.Path, log: o.Log, fleet: o.Fleet, failed: make(chan error, 1)}
	d.desk = newDesk(o.Fleet, o.Log, time.Now)
	if d.desk.taken != nil { // two that watch the same fans would both tell it
		return nil, fmt.Errorf("[store] dir: %w", d.desk.taken)
	}
	d.undo = append(d.undo, d.desk.close)
	d.judge = newJudge(o.Fleet, o.Version, o.Log, d.desk, time.Now())
	d.desk.changed = d.judge.setOut
	d.startHistory(o.History)
	d.startPublishing()
	if err := d.startWeb(); err != nil {
		d.Stop()
		return nil, err
	}
	if o.Past != nil {
		if err := d.judge.recall(o.Past); err != nil {
			d.Stop()
			return nil, err
		}
	}
	d.startMemory()
	d.startDesk()
	d.startPoller()
	d.startLending()
	d.startNotify(o.Version)
	o.Log.Info("watching", zap.String("fleet", o.Fleet.Name), zap.Int("fans", len(o.Fleet.Fans)),
		zap.Int("gateways", len(o.Fleet.Gateways)), zap.String("version", o.Version))
	return d, nil
}

// Addr returns where the daemon is seen.
func (d *Daemon) Addr() net.Addr { return d.addr }

// Failed yields an error when the daemon cannot go on.
func (d *Daemon) Failed() <-chan error { return d.failed }

// Stop takes everything down, the last that was brought up first.
func (d *Daemon) Stop() {
	for len(d.undo) > 0 {
		last := len(d.undo) - 1
		step := d.undo[last]
		d.undo = d.undo[:last]
		step()
	}
}

// Reload reads the fleet file again. A faulty one changes nothing; its faults
// are logged and shown in a metric. A good one keeps the state of every fan
// that is still in it.
func (d *Daemon) Reload() {
	fleet, faults, err := Load(d.path)
	if err != nil || len(faults) > 0 {
		d.refuse(faults, err)
		return
	}
	if fleet.Web.Listen != d.fleet.Web.Listen {
		d.log.Warn("a new [web] listen address takes effect at the next start", zap.String("listen", fleet.Web.Listen))
	}
	d.warnKeep(fleet)
	d.poller.Reload(fleet, func() { d.judge.setFleet(fleet, time.Now()) })
	d.desk.setFleet(fleet)
	d.fleet = fleet
	d.log.Info("fleet file reloaded", zap.Int("fans", len(fleet.Fans)), zap.Int("gateways", len(fleet.Gateways)))
}

func (d *Daemon) refuse(faults []config.Fault, err error) {
	for _, fault := range faults {
		d.log.Error("fault in the fleet file", zap.Stringer("fault", fault))
	}
	d.log.Error("the fleet file was not reloaded; the daemon goes on with the one it has",
		zap.Int("faults", len(faults)), zap.Error(err))
	d.judge.reloadFailed(time.Now())
}

// How often the desk looks at its clock, and alarms are held against what the
// rules know.
const (
	deskEvery      = time.Second
	reconcileEvery = time.Minute
)

// startDesk tells the rules what is kept, and keeps the desk going.
func (d *Daemon) startDesk() {
	d.judge.recallKept(time.Now())
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		tick, reconcile := time.NewTicker(deskEvery), time.NewTicker(reconcileEvery)
		defer tick.Stop()
		defer reconcile.Stop()
		for {
			select {
			case now := <-tick.C:
				if d.desk.tick(now) {
					d.judge.recallKept(now)
				}
				d.judge.showAlarms()
			case now := <-reconcile.C:
				d.judge.reconcile(now)
			case <-stop:
				return
			}
		}
	}()
	d.undo = append(d.undo, func() { close(stop); <-ended })
}

func (d *Daemon) startPublishing() {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		ticker := time.NewTicker(publishEvery)
		defer ticker.Stop()
		for {
			select {
			case now := <-ticker.C:
				d.judge.publish(now)
			case <-ctx.Done():
				return
			}
		}
	}()
	d.undo = append(d.undo, func() { cancel(); <-ended })
}

func (d *Daemon) startWeb() error {
	listener, err := net.Listen("tcp", d.fleet.Web.Listen)
	if err != nil {
		return fmt.Errorf("[web] listen = %q: %w; free the address or give another one", d.fleet.Web.Listen, err)
	}
	logger, _ := zap.NewStdLogAt(d.log, zapcore.WarnLevel) // fails for unknown levels only
	board := d.judge.board
	access := func() config.Web { return board.Snapshot().Fleet.Web }
	gatherer := metrics.New(board.Snapshot, time.Now)
	options := web.Options{Snapshot: board.Snapshot, Now: time.Now, Metrics: metrics.Handler(gatherer, logger), Desk: d.desk, Log: d.log, Access: access}
	if d.judge.keep.store != nil {
		options.History = d.judge.keep.store
	}
	server := web.NewServer(listener.Addr().String(), web.Handler(options))
	server.ErrorLog = logger
	if server.TLSConfig, err = web.TLS(access); err != nil {
		return errors.Join(fmt.Errorf("[web] tls_cert: %w", err), listener.Close())
	}
	d.addr = listener.Addr()
	scheme := "http"
	if server.TLSConfig != nil {
		scheme = "https"
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := web.Serve(server, listener); !errors.Is(err, http.ErrServerClosed) {
			d.failed <- fmt.Errorf("the web server ended: %w", err)
		}
	}()
	d.undo = append(d.undo, func() {
		ctx, cancel := context.WithTimeout(context.Background(), drain)
		defer cancel()
		if server.Shutdown(ctx) != nil {
			server.Close()
		}
		<-ended
	})
	d.log.Info("listening", zap.String("url", scheme+"://"+d.addr.String()+"/"))
	d.warnExposed()
	return nil
}

// warnExposed warns when others than this machine can reach the daemon without
// it proving itself, or can act without a login.
func (d *Daemon) warnExposed() {
	host, _, err := net.SplitHostPort(d.addr.String())
	if ip := net.ParseIP(host); err != nil || ip != nil && ip.IsLoopback() {
		return
	}
	w := d.fleet.Web
	if w.TLSCert == "" {
		d.log.Warn("[web] listens beyond this machine without TLS: give tls_cert and tls_key, or put a proxy with TLS before it",
			zap.String("listen", w.Listen))
	}
	if len(w.Users) == 0 {
		d.log.Warn("[web] listens beyond this machine without a login: everybody there may read, and nobody can acknowledge; "+
			"make users with `fanwarden hash`", zap.String("listen", w.Listen))
	}
}

func (d *Daemon) startPoller() {
	d.poller = poller.New(Dial(d.log), d.judge.take, d.log).Through(Open(d.log))
	d.poller.Start(d.fleet)
	d.undo = append(d.undo, d.poller.Stop)
}
