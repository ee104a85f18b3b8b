package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/campus"
	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// demoSeed makes every demo the same campus in the same weather.
const demoSeed = 20

// demonstration is a campus, the field that it is simulated by, and the daemon
// that watches it.
type demonstration struct {
	campus *campus.Campus
	past   time.Duration
	log    *zap.Logger
	folder string // of the fleet file; removed at the end
	fleet  *config.Fleet
	ports  []io.Closer // held for the gateways until they are served
	field  *field.Field
	server *field.Server
	daemon *daemon.Daemon

	training     string // url of the training port
	stopTraining func()
}

// newDemonstration invents the campus and writes its fleet file. Unless there
// is an error the caller must close it.
func newDemonstration(fans int, listen string, log *zap.Logger) (_ *demonstration, err error) {
	if _, _, err := net.SplitHostPort(listen); err != nil {
		return nil, fmt.Errorf("--listen is %q; write host:port, as in 127.0.0.1:9640", listen)
	}
	now := time.Now()
	d := &demonstration{past: pastOf(fans), log: log, stopTraining: func() {}}
	if d.campus, err = campus.New(fans, now, d.past); err != nil {
		return nil, fmt.Errorf("--fans: %w", err)
	}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	if d.folder, err = os.MkdirTemp("", "fanwarden-demo-"); err != nil {
		return nil, err
	}
	if d.fleet, err = d.writeFleet(listen, campus.Zone(now)); err != nil {
		return nil, err
	}
	d.field = field.New(d.fleet, demoSeed, now.Add(-d.past))
	for _, trouble := range d.campus.Troubles {
		if err = d.field.Put(trouble.Fault); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// writeFleet writes the fleet file, with a port for every gateway, and loads it
// as run would.
func (d *demonstration) writeFleet(listen, zone string) (*config.Fleet, error) {
	places := campus.Places{Listen: listen, Zone: zone}
	for _, b := range d.campus.Buildings {
		held, port, err := holdPort(b.Gateway.BACnet())
		if err != nil {
			return nil, err
		}
		d.ports = append(d.ports, held)
		places.Ports = append(places.Ports, port)
	}
	path := filepath.Join(d.folder, "fleet.toml")
	file, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(d.campus.WriteFleet(file, places), file.Close()); err != nil {
		return nil, err
	}
	fleet, faults, err := daemon.Load(path)
	for _, fault := range faults {
		err = errors.Join(err, errors.New(fault.String()))
	}
	return fleet, err
}

// The ports of gateways lie below those that systems hand out by themselves, so
// that a connection to a gateway that is off cannot meet itself.
const (
	firstPort = 15000
	portsWide = 15000
	portTries = 200
)

// holdPort finds a free port of the loopback address, of UDP or of TCP, and keeps
// it.
func holdPort(udp bool) (held io.Closer, port int, err error) {
	for range portTries {
		port = firstPort + rand.IntN(portsWide)
		address := net.JoinHostPort("127.0.0.1", strconv.Itoa(port))
		if udp {
			held, err = net.ListenPacket("udp4", address)
		} else {
			held, err = net.Listen("tcp", address)
		}
		if err == nil {
			return held, port, nil
		}
	}
	return nil, 0, fmt.Errorf("no free port on the loopback address for a gateway: %w", err)
}

// start brings up the daemon, which first is told the past.
func (d *demonstration) start(ctx context.Context, p *process) error {
	what := fmt.Sprintf("simulating and judging the last %s of %s", units.Span(d.past), count(d.campus.Fans(), "fan"))
	bar := newProgress(p.stderr, what, time.Now)
	watching, err := daemon.Start(daemon.Options{
		Path: d.fleet.Path, Fleet: d.fleet, Version: version, Log: d.log,
		History: filepath.Join(d.folder, "history"),
		Past: func(feed func(*reading.Reading)) error {
			if err := layPast(ctx, d.field, time.Now, feed, bar.tell); err != nil {
				return err
			}
			bar.end()
			return d.serve(ctx)
		},
	})
	d.daemon = watching
	return err
}

// serve puts the field behind sockets; from then on it keeps step with the
// clock.
func (d *demonstration) serve(ctx context.Context) (err error) {
	for _, port := range d.ports {
		port.Close()
	}
	d.ports = nil
	d.server, err = field.Serve(context.WithoutCancel(ctx), d.field, d.log, field.ServeOptions{Seed: demoSeed})
	if err != nil {
		return err
	}
	for _, address := range [...]string{defaultControl, "127.0.0.1:0"} { // another demo may have the first
		var stop func()
		if stop, d.training, err = serveTraining(address, d.server, d.log); err == nil {
			d.stopTraining = stop
			return nil
		}
	}
	return err
}

// page is where the daemon is seen. An address that stands for all of the
// machine's is no place to go to, so it is given as the loopback address.
func (d *demonstration) page() string {
	at := d.daemon.Addr().(*net.TCPAddr)
	host := at.IP
	if host.IsUnspecified() {
		host = net.IPv4(127, 0, 0, 1)
	}
	return "http://" + net.JoinHostPort(host.String(), strconv.Itoa(at.Port))
}

// close takes everything down: the daemon before the field that it polls.
func (d *demonstration) close() {
	if d.daemon != nil {
		d.daemon.Stop()
	}
	d.stopTraining()
	if d.server != nil {
		d.server.Close()
	}
	for _, port := range d.ports {
		port.Close()
	}
	if d.folder != "" {
		if err := os.RemoveAll(d.folder); err != nil {
			d.log.Warn("the temporary folder is still there", zap.String("folder", d.folder), zap.Error(err))
		}
	}
}
