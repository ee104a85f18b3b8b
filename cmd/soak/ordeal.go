package main

import (
	"fmt"
	"os/exec"
	"slices"
	"syscall"
	"time"
)

// ordeal is something that the daemon itself goes through in a round.
type ordeal struct {
	name string
	do   func(s *soak, r *round)
}

// ordeals are what may be. Those that would hide each other are not in one set.
var (
	killed    = ordeal{"kill -9 and a new start", (*soak).killed}
	diskFull  = ordeal{"the disk is full", (*soak).diskFull}
	clockJump = ordeal{"the clock jumps", (*soak).clockJumps}
	reloaded  = ordeal{"fleet files: changed, broken, as it was", (*soak).reloaded}
	unheard   = ordeal{"receivers refuse, break, are slow or say nothing", (*soak).unheard}
	stalled   = ordeal{"clients stall", (*soak).stalled}
	borrowed  = ordeal{"a gateway is lent, and the borrower killed", (*soak).borrowed}

	// sets come one a round, over and over.
	sets = [][]ordeal{
		{killed, unheard, stalled},
		{diskFull, clockJump, reloaded, unheard, borrowed},
		{stalled, borrowed},
		{killed, reloaded, clockJump},
		{},
		{diskFull, unheard, stalled},
		{reloaded, clockJump},
		{killed, stalled},
	}
)

// ordealsOf returns what a round has. In the second half of a run the daemon is
// left alive, so that growth shows.
func ordealsOf(n int, late bool) []ordeal {
	set := slices.Clone(sets[n%len(sets)])
	if late {
		set = slices.DeleteFunc(set, func(o ordeal) bool { return o.name == killed.name })
	}
	return set
}

// killed ends the daemon as a power cut does, and starts it anew.
func (s *soak) killed(r *round) {
	if !r.wait(13 * time.Second) {
		return
	}
	s.fleetFile.Lock() // a broken one would start nothing
	defer s.fleetFile.Unlock()
	s.setAway(true)
	at := time.Now()
	s.child().kill()
	s.look(s.child(), true)
	next, err := s.start()
	if err != nil {
		s.fail(err)
		return
	}
	s.setChild(next)
	s.conditions.restarted(at)
	s.setAway(false)
}

// diskFull fills the disk while conditions are raised, and empties it while they
// still stand.
func (s *soak) diskFull(r *round) {
	pid := s.child().pid()
	if err := s.disk.fill(pid); err != nil {
		s.fail(fmt.Errorf("the disk cannot be filled: %w", err))
		return
	}
	before := s.conditions.logged()
	told := s.sees(28*time.Second, func() bool { return s.metric("fanwarden_store_up") == 0 })
	r.wait(28 * time.Second)
	wanted := s.conditions.logged() - before
	if err := s.disk.free(pid); err != nil {
		s.fail(err)
	}
	if !told && wanted > 0 {
		s.found("the disk was full, %d conditions were raised, and fanwarden_store_up did not say so", wanted)
	}
	if !s.sees(75*time.Second, func() bool { return s.metric("fanwarden_store_up") == 1 && s.metric("fanwarden_history_up") == 1 }) {
		s.found("the disk has room again, and 75 s later fanwarden_store_up is %v and fanwarden_history_up %v",
			s.metric("fanwarden_store_up"), s.metric("fanwarden_history_up"))
	}
}

// jumps are what the clock jumps by, and then back.
var jumps = []time.Duration{2 * time.Minute, -90 * time.Second, time.Hour, -time.Hour}

func (s *soak) clockJumps(r *round) {
	if s.noClock != nil {
		return
	}
	by := jumps[s.jumps%len(jumps)]
	s.jumps++
	if r.wait(6 * time.Second) {
		s.truth.jump(by)
	}
	r.wait(22 * time.Second)
	s.truth.jump(0)
}

// reloaded gives the daemon another fleet file, then a broken one, then the first.
func (s *soak) reloaded(r *round) {
	give := func(after time.Duration, text, what string, taken func(f *shown) bool) {
		if !r.wait(after) {
			return
		}
		s.fleetFile.Lock()
		defer s.fleetFile.Unlock()
		if err := s.o.writeFleet(text); err != nil {
			s.fail(err)
			return
		}
		s.child().cmd.Process.Signal(syscall.SIGHUP)
		if !s.sees(8*time.Second, func() bool {
			var f shown
			return s.watch.object("/api/v1/fleet", &f) == nil && taken(&f)
		}) {
			s.found("%s was not taken up as it should be", what)
		}
	}
	first := fleetText(s.o, side{name: "first"}, s.receivers.url)
	other := fleetText(s.o, side{name: "changed", changed: true}, s.receivers.url)
	give(5*time.Second, other, "a changed fleet file", func(f *shown) bool {
		return f.Name == "Soak changed" && f.Reload.Good && slices.ContainsFunc(f.Fans, func(one shownFan) bool {
			return one.ID == spare && (one.Read != nil || !slices.Contains(r.quiet, one.ID[:3]))
		})
	})
	s.broken(r, other)
	give(24*time.Second, first, "the first fleet file", func(f *shown) bool { return f.Name == "Soak first" && f.Reload.Good && len(f.Fans) == len(s.fans) })
}

// broken gives a file that is cut off in the middle. It must change nothing.
func (s *soak) broken(r *round, was string) {
	if !r.wait(16 * time.Second) {
		return
	}
	s.fleetFile.Lock()
	defer s.fleetFile.Unlock()
	defer s.o.writeFleet(was)
	if err := s.o.writeFleet(was[:len(was)/2] + "= \x00"); err != nil {
		s.fail(err)
		return
	}
	s.child().cmd.Process.Signal(syscall.SIGHUP)
	var f shown
	refused := func() bool { return s.watch.object("/api/v1/fleet", &f) == nil && !f.Reload.Good }
	if !s.sees(6*time.Second, refused) || f.Name != "Soak changed" {
		s.found("a broken fleet file: the daemon says it is %q, reloaded %v", f.Name, f.Reload.Good)
	}
}

// unheard has the receivers do what receivers do.
func (s *soak) unheard(r *round) {
	first := manner(1 + s.manners%(manners-1))
	s.manners++
	s.receivers.set(first)
	r.wait(20 * time.Second)
	s.receivers.set(slow)
	r.wait(30 * time.Second)
	s.receivers.set(taking)
}

func (s *soak) stalled(r *round) {
	r.wait(2 * time.Second)
	done := make(chan struct{})
	go func() { r.wait(roundOf); close(done) }()
	s.stall(done)
}

// borrowed lends a gateway to a turnover that is killed, and then to one that
// comes to its end.
func (s *soak) borrowed(r *round) {
	gateway := r.lent
	lent := func() bool {
		return s.metric(fmt.Sprintf("fanwarden_gateway_lent{building=%q,gateway=%q}", gateway, gateway)) == 1
	}
	turnover := func(last string) *exec.Cmd {
		cmd := exec.Command(s.o.path("fanwarden"), "turnover", "--config", s.o.path("fleet.toml"), "--building", gateway, "--for", last)
		cmd.Dir = s.o.dir
		return cmd
	}
	r.wait(3 * time.Second)
	one := turnover("60s")
	if err := one.Start(); err != nil {
		s.fail(err)
		return
	}
	if !s.sees(8*time.Second, lent) {
		s.found("gateway %s is not lent to a turnover that runs", gateway)
	}
	r.wait(12 * time.Second)
	one.Process.Kill()
	one.Wait()
	if !s.sees(5*time.Second, func() bool { return !lent() }) {
		s.found("gateway %s stays lent, and the borrower was killed", gateway)
	}
	r.wait(18 * time.Second)
	out, err := turnover("3s").CombinedOutput()
	if code := exitCode(err); code != 0 && code != 1 {
		s.found("a turnover of %s ended with status %d:\n%s", gateway, code, out)
	}
}

func exitCode(err error) int {
	if err == nil {
		return 0
	}
	if exit, is := err.(*exec.ExitError); is {
		return exit.ExitCode()
	}
	return -1
}
