package main

import (
	"bufio"
	"context"
	"net/http"
	"strings"
	"time"
)

// listenOn follows the events for the whole run, as a page does. A stream beats
// every two seconds; one that is still while the daemon lives is a violation.
func (s *soak) listenOn() {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go func() { <-s.done; stop() }()
	last := time.Now()
	for ctx.Err() == nil {
		s.follow(ctx, &last)
		if s.away() {
			last = time.Now()
		}
		if time.Since(last) > silence {
			s.found("no event has come for %v", silence)
			last = time.Now()
		}
		select {
		case <-ctx.Done():
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// follow reads one stream to its end, or until it is still for too long.
func (s *soak) follow(ctx context.Context, last *time.Time) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	still := time.AfterFunc(silence, stop)
	defer still.Stop()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url()+"/api/v1/events?topic=summary&topic=alarms&topic=marks", nil)
	if err != nil {
		return
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return
	}
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "event: beat") {
			s.beats.Add(1)
			*last = time.Now()
			still.Reset(silence)
		}
	}
}
