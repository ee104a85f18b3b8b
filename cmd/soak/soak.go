package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/field"
)

// soak is one run.
type soak struct {
	o          options
	out        io.Writer
	noClock    error // why no clock can jump
	clock      *clock
	disk       *disk
	field      *field.Field
	server     *field.Server
	pipes      map[string]*pipe
	receivers  *receivers
	truth      *truth
	conditions *conditions
	watch      *watch
	fans       []string // that the first fleet file has
	began      time.Time
	done       chan struct{}
	over       sync.Once
	tasks      sync.WaitGroup

	fleetFile sync.Mutex // held while the daemon is started, and while its file is another
	process   atomic.Pointer[child]
	gone      atomic.Bool // the daemon is on its way down or up
	jumps     int
	manners   int
	beats     atomic.Int64   // of the events
	count     map[string]int // of troubles and ordeals
	samples   []sample
	rounds    int
	stalls    stalls

	mu         sync.Mutex
	violations []string
	more       int
	stuck      error // the soak itself cannot go on
	logged     map[string]int
}

// Times of a round.
const (
	roundOf   = 38 * time.Second // that troubles are on
	calmOf    = 60 * time.Second // within which all must be well again
	afterwork = 3 * time.Second  // between that and the sample
	drainOf   = 4 * time.Minute  // within which all must be told at the end
	mostTold  = 40               // violations that are told in words
)

// begin brings everything up.
func begin(o options, out io.Writer) (s *soak, err error) {
	s = &soak{o: o, out: out, pipes: make(map[string]*pipe), done: make(chan struct{}), count: make(map[string]int), logged: make(map[string]int)}
	defer func() {
		if err != nil {
			s.end()
		}
	}()
	s.say("building the daemon")
	if s.noClock, err = o.build(); err != nil {
		return s, err
	}
	if s.clock, err = o.newClock(); err != nil {
		return s, err
	}
	if s.disk, err = o.newDisk(); err != nil {
		return s, err
	}
	s.truth, s.conditions = newTruth(s.clock), newConditions(s.found)
	if s.receivers, err = openReceivers(s.found); err != nil {
		return s, err
	}
	if err = s.serve(); err != nil {
		return s, err
	}
	if err = o.writeFleet(fleetText(o, side{name: "first"}, s.receivers.url)); err != nil {
		return s, err
	}
	c, err := s.start()
	if err != nil {
		return s, err
	}
	s.setChild(c)
	s.began = time.Now()
	s.watch = newWatch(s)
	s.tasks.Go(func() { s.watch.run(s.done) })
	s.tasks.Go(s.listenOn)
	s.tasks.Go(func() { s.stalls.run(s.done) })
	return s, nil
}

// serve brings up the field and the pipes.
func (s *soak) serve() error {
	file := s.o.path("field.toml")
	fleet, faults := config.Parse(file, []byte(fleetText(s.o, side{name: "field", field: true}, "")), nil)
	if len(faults) > 0 {
		return fmt.Errorf("the field's fleet file: %v", faults[0])
	}
	for _, fan := range fleet.Fans {
		if id := string(fan.ID); id != spare {
			s.fans = append(s.fans, id)
		}
	}
	s.field = field.New(fleet, s.o.seed, time.Now())
	server, err := field.Serve(context.Background(), s.field, zap.NewNop(), field.ServeOptions{Seed: s.o.seed})
	if err != nil {
		return fmt.Errorf("%w; give other ports with --port", err)
	}
	s.server = server
	for i := range gateways {
		if !hasPipe(i) {
			continue
		}
		if s.pipes[gatewayID(i)], err = openPipe(s.o, i); err != nil {
			delete(s.pipes, gatewayID(i))
			return err
		}
	}
	s.tasks.Go(func() {
		tick := time.NewTicker(lookEvery)
		defer tick.Stop()
		for {
			select {
			case <-s.done:
				return
			case <-tick.C:
				s.server.With(s.truth.look)
			}
		}
	})
	return nil
}

// rested ends what watches, and waits for it.
func (s *soak) rested() {
	s.over.Do(func() { close(s.done) })
	s.tasks.Wait()
}

// end takes everything down.
func (s *soak) end() {
	s.rested()
	if c := s.process.Load(); c != nil && !c.gone() {
		c.kill()
	}
	for _, p := range s.pipes {
		p.close()
	}
	if s.server != nil {
		s.server.Close()
	}
	if s.receivers != nil {
		s.receivers.close()
	}
	if s.disk != nil {
		s.disk.close()
	}
}

// run goes on for as long as it was told, and reports whether all was well.
func (s *soak) run() bool {
	if !s.sees(20*time.Second, func() bool { return s.metric("fanwarden_fan_up{building=\"g00\",fan=\"g00-f0\"}") == 1 }) {
		s.fail(errors.New("the daemon does not come to read its fans"))
	}
	life := 0
	for s.rounds = 0; s.stopped() == nil && (s.rounds < 2 || time.Since(s.began) < s.o.length-roundOf-10*time.Second); s.rounds++ {
		r := s.round(s.rounds, time.Since(s.began) > s.o.length/2 && s.rounds > 1)
		if r.killed {
			life++
		}
		if one, err := s.rest(life); err != nil {
			s.found("no sample at rest: %v", err)
		} else {
			s.samples = append(s.samples, one)
		}
	}
	s.drain()
	c := s.child()
	s.setAway(true)
	if !c.stop() {
		s.found("the daemon does not end within 20 s of SIGTERM")
	}
	s.look(c, false)
	s.rested()
	return s.report()
}

// sees waits until something is so, and reports whether it came to be.
func (s *soak) sees(within time.Duration, what func() bool) bool {
	for end := time.Now().Add(within); ; time.Sleep(300 * time.Millisecond) {
		if what() {
			return true
		}
		if time.Now().After(end) || s.stopped() != nil {
			return false
		}
	}
}

// metric is one value of /metrics, -1 where there is none.
func (s *soak) metric(name string) float64 {
	all, err := s.watch.scrape()
	if v, has := all[name]; err == nil && has {
		return v
	}
	return -1
}

// look takes down what a process that has ended left in its log.
func (s *soak) look(c *child, killed bool) {
	raw, errors := c.said()
	if len(raw) > 0 {
		s.found("the daemon wrote what is no event: %s", raw[0])
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for event, n := range errors {
		s.logged[event] += n
	}
	if state := c.cmd.ProcessState; !killed && state != nil && state.ExitCode() != 0 {
		s.violations = append(s.violations, fmt.Sprintf("the daemon ended with status %d", state.ExitCode()))
	}
}

// found notes a violation.
func (s *soak) found(format string, args ...any) {
	text := time.Now().Format("15:04:05 ") + fmt.Sprintf(format, args...)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stuck != nil {
		return // what follows from that is no news
	}
	if len(s.violations) >= mostTold {
		s.more++
		return
	}
	s.violations = append(s.violations, text)
	fmt.Fprintln(s.out, "VIOLATION", text)
}

// fail notes that the soak itself cannot go on.
func (s *soak) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stuck = errors.Join(s.stuck, err)
}

func (s *soak) stopped() error {
	if c := s.process.Load(); c != nil && c.gone() && !s.away() {
		raw, _ := c.said()
		s.fail(fmt.Errorf("the daemon ended by itself: %s; its log is %s", raw, filepath.Join(s.o.dir, "daemon.log")))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stuck
}

func (s *soak) say(format string, args ...any) {
	if !s.o.quiet {
		fmt.Fprintf(s.out, time.Now().Format("15:04:05 ")+format+"\n", args...)
	}
}

func (s *soak) child() *child     { return s.process.Load() }
func (s *soak) setChild(c *child) { s.process.Store(c) }
func (s *soak) url() string       { return s.child().url }
func (s *soak) away() bool        { return s.gone.Load() }
func (s *soak) setAway(away bool) { s.gone.Store(away) }

// another is a fan that might be taken for one: the next in the file.
func (s *soak) another(fan string) string {
	i := slices.Index(s.fans, fan)
	return s.fans[(i+1)%len(s.fans)]
}
