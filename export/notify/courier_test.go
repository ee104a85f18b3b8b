package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// box is an outbox in memory.
type box struct {
	mu  sync.Mutex
	all []journal.Message
}

func (b *box) Ready(w *config.Way, now time.Time) []journal.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	var due []journal.Message
	for _, m := range b.all {
		if m.Way == w.ID && !m.Next.After(now) {
			due = append(due, m)
		}
	}
	return due
}

func (b *box) Delivered(id string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = slices.DeleteFunc(b.all, func(m journal.Message) bool { return m.ID == id })
}

func (b *box) Again(m journal.Message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.all {
		if b.all[i].ID == m.ID {
			b.all[i] = m
		}
	}
}

func (b *box) put(way string, n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = append(b.all, journal.Message{ID: fmt.Sprintf("%s/%d", way, n), Way: way, Made: time.Now()})
}

// run carries what is in a box, for a time, to receivers that a function plays,
// and returns what they were given: "id at seconds".
func run(t *testing.T, b *box, span time.Duration, send func(at time.Duration, w *config.Way, m *journal.Message) error) ([]string, *observer.ObservedLogs) {
	t.Helper()
	core, logged := observer.New(zap.InfoLevel)
	ways := []*config.Way{{ID: "pager"}, {ID: "desk"}}
	c := NewCourier(b, func() []*config.Way { return ways }, "test", zap.New(core))
	began := time.Now()
	var mu sync.Mutex
	var got []string
	c.send = func(ctx context.Context, w *config.Way, m *journal.Message) error {
		at := time.Since(began)
		if err := send(at, w, m); err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		got = append(got, fmt.Sprintf("%s at %d", m.ID, int(at.Seconds())))
		return nil
	}
	ctx, cancel := context.WithTimeout(t.Context(), span)
	defer cancel()
	c.Run(ctx)
	return got, logged
}

func TestMessagesAreCarriedInTheirOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		for n := range 3 {
			b.put("pager", n)
		}
		got, _ := run(t, b, time.Second, func(time.Duration, *config.Way, *journal.Message) error { return nil })
		if strings.Join(got, ", ") != "pager/0 at 0, pager/1 at 0, pager/2 at 0" || len(b.all) != 0 {
			t.Errorf("%v, left %v", got, b.all)
		}
	})
}

// A receiver that is gone holds up no other, is asked less and less often, and
// loses nothing.
func TestAReceiverThatIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		b.put("desk", 1)
		b.put("pager", 2)
		var tries []time.Duration
		got, logged := run(t, b, 3*time.Hour, func(at time.Duration, w *config.Way, m *journal.Message) error {
			if w.ID == "desk" {
				return nil
			}
			tries = append(tries, at)
			if at < 2*time.Hour {
				return errors.New("connection refused")
			}
			return nil
		})
		slices.Sort(got) // the one that was tried least finds out that it is back
		if len(got) != 3 || got[0] != "desk/1 at 0" || !strings.HasPrefix(got[1], "pager/1 ") || !strings.HasPrefix(got[2], "pager/2 ") {
			t.Errorf("got %v", got)
		}
		// 5 s doubling to 10 min: 8 tries in the first quarter of an hour, then one in ten minutes.
		if len(tries) < 17 || len(tries) > 25 {
			t.Errorf("%d tries in 2 h: %v", len(tries), tries)
		}
		if n := logged.FilterMessage("messages do not leave: they are kept and tried again").Len(); n != 1 {
			t.Errorf("told %d times", n)
		}
		if logged.FilterMessage("messages leave again").Len() != 1 {
			t.Error("that it works again is not told")
		}
	})
}

// A message that its receiver does not want is tried for a day, and holds up no
// other.
func TestAMessageThatIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		b.put("pager", 2)
		tries := 0
		got, logged := run(t, b, 30*time.Hour, func(_ time.Duration, _ *config.Way, m *journal.Message) error {
			if m.ID == "pager/1" {
				tries++
				return &refusal{what: "400 Bad Request"}
			}
			return nil
		})
		if len(got) != 1 || got[0] != "pager/2 at 0" || len(b.all) != 0 || tries < 100 || tries > 200 {
			t.Errorf("got %v, left %v, %d tries", got, b.all, tries)
		}
		if logged.FilterMessageSnippet("given up").Len() != 1 || logged.FilterMessageSnippet("was refused").Len() != 1 {
			t.Errorf("%v", logged.All())
		}
	})
}

func TestAReceiverThatAsksForTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		got, _ := run(t, b, time.Hour, func(at time.Duration, _ *config.Way, m *journal.Message) error {
			if at == 0 {
				return &refusal{what: "429", way: true, after: 20 * time.Minute}
			}
			return nil
		})
		if len(got) != 1 || got[0] != "pager/1 at 1200" {
			t.Errorf("got %v", got)
		}
	})
}

// A courier that is stopped lets what is under way end, and counts no failure.
func TestACourierThatIsStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		c := NewCourier(b, func() []*config.Way { return []*config.Way{{ID: "pager"}} }, "test", zap.NewNop())
		c.send = func(ctx context.Context, _ *config.Way, _ *journal.Message) error { <-ctx.Done(); return ctx.Err() }
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { c.Run(ctx); close(ended) }()
		time.Sleep(5 * time.Second)
		cancel()
		<-ended
		if len(b.all) != 1 || b.all[0].Tries != 0 {
			t.Errorf("left %+v", b.all)
		}
	})
}

// A message that its receiver stumbles over holds up no other.
func TestAMessageThatItsReceiverStumblesOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		b.put("pager", 2)
		b.put("pager", 3)
		got, _ := run(t, b, time.Minute, func(_ time.Duration, _ *config.Way, m *journal.Message) error {
			if m.ID == "pager/1" {
				return &refusal{what: "500 Internal Server Error", way: true}
			}
			return nil
		})
		if len(got) != 2 || len(b.all) != 1 || b.all[0].ID != "pager/1" {
			t.Errorf("got %v, left %v", got, b.all)
		}
	})
}

// What a receiver puts off is tried for days, and held by nobody for ever.
func TestAMessageThatIsPutOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		var last time.Duration
		_, logged := run(t, b, 7*24*time.Hour, func(at time.Duration, _ *config.Way, _ *journal.Message) error {
			last = at
			return &refusal{what: "452 mailbox full", passing: true}
		})
		if len(b.all) != 0 || last < 5*24*time.Hour || last > 5*24*time.Hour+longest*2 || logged.FilterMessageSnippet("given up").Len() != 1 {
			t.Errorf("last tried after %v, left %v, %v", last, b.all, logged.All())
		}
	})
}

// Who has a letter when the daemon stops does not get it again.
func TestALetterThatIsHalfSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		run(t, b, time.Second, func(_ time.Duration, _ *config.Way, m *journal.Message) error {
			time.Sleep(2 * time.Second)
			m.To = []string{"later@example.edu"}
			return context.Canceled
		})
		if len(b.all) != 1 || b.all[0].To == nil || b.all[0].Tries != 0 {
			t.Errorf("left %+v", b.all)
		}
	})
}

// A fleet file that is read anew may have mended what was wrong: nobody waits for
// a receiver that was gone until then.
func TestANewFleetFileIsTriedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("pager", 1)
		b.put("pager", 2)
		var ways atomic.Pointer[config.Way]
		ways.Store(&config.Way{ID: "pager", Webhook: "http://wrong.example/"})
		c := NewCourier(b, func() []*config.Way { return []*config.Way{ways.Load()} }, "test", zap.NewNop())
		c.send = func(_ context.Context, w *config.Way, _ *journal.Message) error {
			if w.Webhook == "http://wrong.example/" {
				return &refusal{what: "it answered 404 Not Found", way: true, after: time.Hour}
			}
			return nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { c.Run(ctx); close(ended) }()
		time.Sleep(30 * time.Minute)
		ways.Store(&config.Way{ID: "pager", Webhook: "http://right.example/"})
		time.Sleep(3 * time.Second)
		cancel()
		<-ended
		if len(b.all) != 1 || b.all[0].ID != "pager/1" { // the desk brings forward what was tried
			t.Errorf("left %+v", b.all)
		}
	})
}
