package poller

import (
	"testing"
	"time"

	"go.uber.org/zap"
	"pgregory.net/rapid"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

func TestLateIsForgottenAfterItsHorizon(t *testing.T) {
	l := newLate(&config.Gateway{Scheme: "rtuovertcp", Timeout: time.Second, LateReply: 2 * time.Second})
	begin := time.Unix(0, 0)
	l.add(&Request{Unit: 1, Table: decode.Input, Count: 2}, begin)
	l.add(&Request{Unit: 1, Table: decode.Input, Count: 3}, begin.Add(time.Second))
	l.forget(begin.Add(15*time.Second - 1))
	if !l.fits(1, decode.Input, 4) || !l.fits(1, decode.Input, 6) {
		t.Error("forgotten too early")
	}
	l.forget(begin.Add(15 * time.Second))
	if l.fits(1, decode.Input, 4) || !l.fits(1, decode.Input, 6) {
		t.Error("the first of two is to be forgotten after 15 s, and the other is not")
	}
}

// Answers that have numbers, on a connection that closes with them, cannot be
// mistaken. UDP's numbers begin anew with every socket.
func TestWhereLateAnswersAreFeared(t *testing.T) {
	for scheme, feared := range map[string]bool{"tcp": false, "tcp+tls": false, "udp": true, "rtu": true, "rtuovertcp": true} {
		l := newLate(&config.Gateway{Scheme: scheme, Timeout: time.Second, LateReply: time.Second})
		l.add(&Request{Unit: 1, Table: decode.Input, Count: 2}, time.Now())
		if got := l.fits(1, decode.Input, 4); got != feared {
			t.Errorf("%s: %v", scheme, got)
		}
	}
}

// An answer is known by its unit, function and length only; coils that fill
// the same bytes look alike.
func TestWhatALateAnswerFits(t *testing.T) {
	l := newLate(&config.Gateway{Scheme: "rtu", Timeout: time.Second})
	l.add(&Request{Unit: 1, Table: decode.Coil, Count: 9}, time.Now())
	tests := []struct {
		request Request
		fits    bool
	}{
		{Request{Unit: 1, Table: decode.Coil, Count: 9}, true},
		{Request{Unit: 1, Table: decode.Coil, Address: 50, Count: 16}, true},
		{Request{Unit: 1, Table: decode.Coil, Count: 8}, false},
		{Request{Unit: 2, Table: decode.Coil, Count: 9}, false},
		{Request{Unit: 1, Table: decode.Discrete, Count: 9}, false},
	}
	for _, test := range tests {
		if got := l.fits(test.request.Unit, test.request.Table, test.request.bytes()); got != test.fits {
			t.Errorf("%d %s +%d: %v", test.request.Unit, test.request.Table, test.request.Count, got)
		}
	}
	if !l.doubts(1, decode.Coil) || l.doubts(2, decode.Coil) || l.doubts(1, decode.Input) {
		t.Error("an exception is in doubt from the same function of the same unit")
	}
}

// Whatever has been lost, the parts bring the whole and fit no late answer; and
// where there are none, indeed no way to cut the request avoids all of them.
func TestReshape(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		g := &config.Gateway{ID: "g", Scheme: "rtuovertcp", Timeout: time.Second, MaxGap: 2, MaxRegisters: 16}
		fan := &config.Fan{ID: "ef", Gateway: g, Unit: 1}
		address := 0
		for p := range rapid.IntRange(1, 8).Draw(rt, "points") {
			kind := rapid.SampledFrom([]decode.Type{decode.Uint16, decode.Float32}).Draw(rt, "type")
			fan.Points = append(fan.Points, at(reading.Point(p), 1, decode.Input, address, kind))
			address += kind.Words()
		}
		plan := PlanGateway(g, []*config.Fan{fan})
		l := newLate(g)
		for range rapid.IntRange(0, 4).Draw(rt, "lost") {
			l.add(&Request{Unit: 1, Table: decode.Input, Count: rapid.IntRange(1, 6).Draw(rt, "count")}, time.Now())
		}
		parts := l.reshape(&plan.Requests[0])
		if want := fewest(&l, plan.Requests[0].runs()); len(parts) != max(want, 0) {
			rt.Fatalf("asked in %d parts; the fewest possible are %d", len(parts), want)
		}
		if parts == nil {
			return
		}
		covers(rt, plan, parts)
		for _, part := range parts {
			if l.fits(part.Unit, part.Table, part.bytes()) {
				rt.Fatalf("a late answer fits a part of %d registers", part.Count)
			}
		}
	})
}

// fewest tries every way to cut a row of runs and returns the least number of
// parts, or -1 where there is no way.
func fewest(l *late, runs []Request) int {
	if len(runs) == 0 {
		return 0
	}
	least := -1
	for n := 1; n <= len(runs); n++ {
		part := joined(runs[:n])
		if l.fits(part.Unit, part.Table, part.bytes()) {
			continue
		}
		if rest := fewest(l, runs[n:]); rest >= 0 && (least < 0 || rest+1 < least) {
			least = rest + 1
		}
	}
	return least
}

// A value that is asked for again is as old as the last answer that brought it.
func TestAgeOfWhatWasAskedForAgain(t *testing.T) {
	g := &config.Gateway{ID: "g", Scheme: "rtuovertcp", Timeout: time.Second, MaxGap: 8, MaxRegisters: 125, PollEvery: time.Minute}
	fan := registers(g, 1, 4)
	fan.PointMap = &config.PointMap{}
	w := newWorker(PlanGateway(g, []*config.Fan{fan}), nil, nil, zap.NewNop())
	runs := w.units[0].blocks[0].runs()
	begin := time.Unix(1000, 0)
	w.begin(begin.Add(time.Minute))
	w.take(&runs[0], begin) // lost with its neighbours, and asked for again
	w.take(&w.units[0].blocks[0].Request, begin.Add(3*time.Second))
	w.finish(0, begin.Add(5*time.Second))
	if at := w.cycle.Readings[0].Time.Sub(begin); at != 3*time.Second {
		t.Errorf("the reading is of %v after the first answer; want 3 s", at)
	}
	w.take(&runs[1], begin.Add(4*time.Second))
	w.finish(0, begin.Add(5*time.Second))
	if at := w.cycle.Readings[0].Time.Sub(begin); at != 3*time.Second {
		t.Errorf("the oldest value is of %v after the first answer; want 3 s", at)
	}
}
