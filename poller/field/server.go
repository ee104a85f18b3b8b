package field

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// ServeOptions says how a field is served.
type ServeOptions struct {
	// Seed decides what is left to chance on the wire; the same seed and the
	// same requests give the same answers.
	Seed uint64
	// Speed is how many seconds of the field pass in one second; 0 means 1.
	// The lines themselves are never faster than they would be.
	Speed float64
	// Prompt, if set, makes units answer at once, so that a serial line takes the
	// least time that it can; otherwise each thinks for a few milliseconds. It
	// waits for an instant as exactly as is wanted, which timers of the runtime do
	// to a millisecond.
	Prompt func(until time.Time)
}

// Server is a field behind sockets: stand-in controllers at every loopback url
// of its fleet, while the field goes on in step with the clock.
type Server struct {
	log   *zap.Logger
	start time.Time // of the field, when the server began
	ports []outlet
	stop  context.CancelFunc
	tasks sync.WaitGroup

	mu    sync.Mutex // guards field and the lines' own state
	field *Field
}

// outlet is the network side of one gateway.
type outlet interface {
	served() *config.Gateway
	open() error        // unless it is open already, or the server is at its end
	close()             // drops whatever goes on
	complain(err error) // says once that it cannot be opened again
	step()              // lets the time pass until the next tick
	wait()              // until nothing runs any more
}

// framings says how requests lie in the stream, by the scheme of a url.
var framings = map[string]framing{"tcp": mbap{}, "udp": mbap{}, "rtuovertcp": rtu{}}

// Serve opens a listener for every gateway of the field's fleet whose url is on
// the loopback and moves the field on from where it stands. Gateways elsewhere,
// on serial lines and behind TLS are left out, and named in the log. It ends
// with ctx or by Close.
//
// It fails where no url is on the loopback or an address cannot be listened on.
func Serve(ctx context.Context, f *Field, log *zap.Logger, o ServeOptions) (*Server, error) {
	ctx, stop := context.WithCancel(ctx)
	s := &Server{log: log, field: f, start: f.Now(), stop: stop}
	var left []string
	for _, g := range f.Fleet().Gateways {
		if why := leaveOut(g); why != "" {
			left = append(left, fmt.Sprintf("%s (%s)", g.ID, why))
			continue
		}
		if g.BACnet() {
			s.ports = append(s.ports, newSite(ctx, g, s, o.Seed))
			continue
		}
		s.ports = append(s.ports, newPort(ctx, newLine(g, s, o)))
	}
	if len(left) > 0 {
		log.Warn("gateways left out", zap.Strings("gateways", left))
	}
	if err := s.open(); err != nil {
		s.Close()
		return nil, err
	}
	s.tasks.Go(func() { s.run(ctx, o.Speed) })
	return s, nil
}

// open opens every port that is not off.
func (s *Server) open() error {
	if len(s.ports) == 0 {
		return errors.New("no gateway has a url on the loopback, such as tcp://127.0.0.1:1502; nothing can be served")
	}
	var faults []error
	for _, p := range s.ports {
		if s.off(p) {
			continue
		}
		if err := p.open(); err != nil {
			faults = append(faults, fmt.Errorf("gateway %s: %w", p.served().ID, err))
		}
	}
	return errors.Join(faults...)
}

// leaveOut says why a gateway is not served, "" if it is.
func leaveOut(g *config.Gateway) string {
	host, _, err := net.SplitHostPort(g.Address)
	if _, served := framings[g.Scheme]; !served && !g.BACnet() {
		return g.Scheme + ":// is not served"
	}
	if g.BACnet() && strings.Contains(host, ":") {
		return g.URL + " has an address of IPv6, and BACnet/IP has those of IPv4"
	}
	if ip := net.ParseIP(host); err == nil && (host == "localhost" || ip != nil && ip.IsLoopback()) {
		return ""
	}
	return g.URL + " is not on this machine"
}

// Close stops everything and waits until it has stopped. It may be called more
// than once.
func (s *Server) Close() {
	s.stop()
	for _, p := range s.ports {
		p.close()
	}
	s.tasks.Wait()
	for _, p := range s.ports {
		p.wait()
	}
}

// tick is how often the field is moved on and gateways are switched off and on.
const tick = 50 * time.Millisecond

// run keeps the field in step with the clock, in whole seconds of its own.
func (s *Server) run(ctx context.Context, speed float64) {
	if speed <= 0 {
		speed = 1
	}
	began, done := time.Now(), time.Duration(0)
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			for _, p := range s.ports {
				p.close()
			}
			return
		case <-ticker.C:
		}
		due := time.Duration(float64(time.Since(began)) * speed).Truncate(time.Second)
		if due > done {
			s.With(func(f *Field) { f.Step(due - done) })
			done = due
		}
		s.refresh()
	}
}

// refresh switches gateways off and on as the field has it.
func (s *Server) refresh() {
	for _, p := range s.ports {
		if s.off(p) {
			p.close()
		} else if err := p.open(); err != nil {
			p.complain(err)
		}
		p.step()
	}
}

func (s *Server) off(p outlet) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, off := s.field.On("", p.served().ID, GatewayOff)
	return off
}

// With calls do while nothing else uses the field.
func (s *Server) With(do func(*Field)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	do(s.field)
}

// Now returns the field's time.
func (s *Server) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.field.Now()
}

// Put gives the field a trouble; the error names what is unknown.
func (s *Server) Put(fault Fault) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.field.Put(fault)
}

// Clear ends the troubles of a kind that a fan or a gateway has, and returns
// how many there were.
func (s *Server) Clear(fan reading.FanID, gateway reading.GatewayID, kind Kind) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, f := range s.field.Faults() {
		if f.Fan == fan && f.Gateway == gateway && f.Kind == kind {
			n++
		}
	}
	s.field.Clear(Fault{Fan: fan, Gateway: gateway, Kind: kind})
	return n
}

// Faults returns the troubles of the field.
func (s *Server) Faults() []Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Fault(nil), s.field.Faults()...)
}

// Served returns the gateways that are served, in the fleet's order.
func (s *Server) Served() []*config.Gateway {
	var all []*config.Gateway
	for _, p := range s.ports {
		all = append(all, p.served())
	}
	return all
}

// began returns when a fault of the field began, at the earliest when the
// server did.
func (s *Server) began(f Fault) time.Time {
	if f.From.Before(s.start) {
		return s.start
	}
	return f.From
}
