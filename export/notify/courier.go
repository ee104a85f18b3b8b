package notify

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// Outbox is where messages wait. What it is told is on the disk when a call
// returns, or kept in memory while the disk takes nothing.
type Outbox interface {
	// Ready returns the messages of a way that are due, in words, in the order in
	// which they were made.
	Ready(way *config.Way, now time.Time) []journal.Message
	// Delivered takes out a message.
	Delivered(id string)
	// Again keeps a message that is to be tried again.
	Again(m journal.Message)
}

// Courier carries messages to their receivers. Each way has its own pace: one
// whose receiver is gone holds up no other.
type Courier struct {
	outbox Outbox
	ways   func() []*config.Way
	send   func(ctx context.Context, w *config.Way, m *journal.Message) error
	hangUp func() // closes connections that are kept for the next message
	log    *zap.Logger

	mu     sync.Mutex
	states map[string]*wayState
}

// wayState is how a way does. Only the goroutine that serves the way uses it,
// but for busy.
type wayState struct {
	busy     bool
	as       *config.Way // as the fleet file had it then
	failures int
	until    time.Time // nothing is sent before
}

// Figures of the courier. (Engineering choices.)
const (
	lookEvery    = time.Second
	firstWait    = 5 * time.Second
	longestTry   = 6 * time.Minute  // a mail server may take its time, a webhook has hookTime
	longest      = 10 * time.Minute // between two tries of a message that its receiver refuses
	longestWay   = 2 * time.Minute  // the longest between two tries of a way: a page may wait behind it
	longestAsked = time.Hour        // that a receiver may ask to be left alone for
	giveUp       = 24 * time.Hour   // with what the receiver itself refuses
	letGo        = 5 * giveUp       // with what it puts off (4 to 5 days, RFC 5321, section 4.5.4.1)
)

// NewCourier returns a courier that serves the ways that a function tells. The
// version is what it calls itself.
func NewCourier(outbox Outbox, ways func() []*config.Way, version string, log *zap.Logger) *Courier {
	s := newSender(version, log)
	return &Courier{outbox: outbox, ways: ways, send: s.send, hangUp: s.hook.client.CloseIdleConnections, log: log, states: make(map[string]*wayState)}
}

// Run carries messages until ctx ends, and returns when nothing is under way
// any more.
func (c *Courier) Run(ctx context.Context) {
	defer c.hangUp()
	var running sync.WaitGroup
	defer running.Wait()
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	for {
		for _, w := range c.ways() {
			if state := c.take(w.ID); state != nil {
				running.Go(func() {
					defer c.leave(state)
					c.serve(ctx, w, state)
				})
			}
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
	}
}

// take returns the state of a way that nobody serves now, or nil.
func (c *Courier) take(way string) *wayState {
	c.mu.Lock()
	defer c.mu.Unlock()
	state := c.states[way]
	if state == nil {
		state = &wayState{}
		c.states[way] = state
	}
	if state.busy {
		return nil
	}
	state.busy = true
	return state
}

func (c *Courier) leave(state *wayState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	state.busy = false
}

// serve sends what is due on a way, until something fails that would fail for
// the next message too.
func (c *Courier) serve(ctx context.Context, w *config.Way, state *wayState) {
	if state.as != w { // the fleet file was read anew: what went wrong may be mended
		state.as, state.until = w, time.Time{}
	}
	now := time.Now()
	messages := c.outbox.Ready(w, now)
	if now.Before(state.until) {
		return
	}
	if state.failures > 0 {
		leastTriedFirst(messages)
	}
	for i := range messages {
		if ctx.Err() != nil || !c.deliver(ctx, w, state, &messages[i]) {
			return
		}
	}
}

// leastTriedFirst puts the message that was tried least before the others. Were it
// always the oldest, one that its receiver stumbles over would hold up the rest
// for ever.
func leastTriedFirst(messages []journal.Message) {
	least := 0
	for i := range messages {
		if messages[i].Tries < messages[least].Tries {
			least = i
		}
	}
	for i := least; i > 0; i-- {
		messages[i], messages[i-1] = messages[i-1], messages[i]
	}
}

// deliver tries to send one message, and reports whether the next may be tried.
func (c *Courier) deliver(ctx context.Context, w *config.Way, state *wayState, m *journal.Message) bool {
	attempt, cancel := context.WithTimeout(ctx, longestTry)
	err := c.send(attempt, w, m)
	cancel()
	if err == nil {
		if state.failures > 0 {
			c.log.Info("messages leave again", zap.String("way", w.ID))
		}
		state.failures = 0
		c.outbox.Delivered(m.ID)
		return true
	}
	if ctx.Err() != nil { // the daemon stops: it is sent at the next start
		if m.To != nil { // but not to those who have it
			c.outbox.Again(*m)
		}
		return false
	}
	m.Tries++
	now := time.Now()
	if r := own(err); r != nil {
		return c.refused(w, m, r, now)
	}
	wait := max(backoff(state.failures, longestWay), retryAfter(err))
	state.failures++
	state.until, m.Next = now.Add(wait), now.Add(wait)
	c.outbox.Again(*m)
	if state.failures == 1 {
		c.log.Error("messages do not leave: they are kept and tried again", zap.String("way", w.ID), zap.Error(err))
	}
	return false
}

// refused keeps a message that its receiver does not want, for a day, or does not
// want now, for some days; the way itself works.
func (c *Courier) refused(w *config.Way, m *journal.Message, r *refusal, now time.Time) bool {
	did, patience := "refused", giveUp
	if r.passing {
		did, patience = "put off", letGo
	}
	about := []zap.Field{zap.String("way", w.ID), zap.String("id", m.ID), zap.Strings("to", m.To), zap.Duration("for", patience), zap.Error(r)}
	if now.Sub(m.Made) > patience {
		c.log.Error("a message was given up: its receiver has "+did+" it for too long", about...)
		c.outbox.Delivered(m.ID)
		return true
	}
	if m.Tries == 1 {
		c.log.Error("a message was "+did+": it is tried again", about...)
	}
	m.Next = now.Add(backoff(m.Tries-1, longest))
	c.outbox.Again(*m)
	return true
}

// backoff is how long to wait after some failures: twice as long each time, and
// a little more or less, so that not everybody comes back at once.
func backoff(failures int, most time.Duration) time.Duration {
	wait := most
	if failures < 8 {
		wait = min(firstWait<<failures, most)
	}
	return time.Duration(float64(wait) * (0.9 + 0.2*rand.Float64()))
}

// refusal is an answer of the receiver itself.
type refusal struct {
	what    string
	way     bool // it would say the same to any message now
	passing bool // it says itself that this one may be taken later
	after   time.Duration
}

func (r *refusal) Error() string { return r.what }

// own returns the refusal where an error concerns one message and not the way;
// nil otherwise.
func own(err error) *refusal {
	if r := (*refusal)(nil); errors.As(err, &r) && !r.way {
		return r
	}
	return nil
}

// retryAfter is how long the receiver wants to be left alone.
func retryAfter(err error) time.Duration {
	if r := (*refusal)(nil); errors.As(err, &r) {
		return min(r.after, longestAsked)
	}
	return 0
}

// sender sends by what a way is.
type sender struct {
	hook *hook
	log  *zap.Logger
	name string
}

func newSender(version string, log *zap.Logger) *sender {
	name := "fanwarden/" + version
	return &sender{newHook(name), log, name}
}

func (s *sender) send(ctx context.Context, w *config.Way, m *journal.Message) error {
	switch {
	case w.Webhook != "":
		return s.hook.post(ctx, w, m, time.Now())
	case w.Mail != nil:
		left, err := sendMail(ctx, w, m, s.name)
		for _, refused := range left {
			s.log.Error("a recipient was refused by the mail server for good", zap.String("way", w.ID), zap.String("to", refused))
		}
		return err
	}
	return fmt.Errorf("the way %q leads nowhere", w.ID)
}
