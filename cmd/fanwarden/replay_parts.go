package main

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules"
	"fanwarden/rules/condition"
)

// Readings go from the file to the engines in batches, so that one core can
// parse while others judge; all of them stay in the processor's cache.
const (
	batchSize    = 128
	batchesAhead = 16
)

// batch is some readings in their order, the error that came after them, and
// what each part of the fleet made of them.
type batch struct {
	readings []reading.Reading
	parts    []uint8 // whose each reading is
	err      error
	changes  [][]change // of each part, in order
	judged   sync.WaitGroup
}

// change is a change of a condition, and which reading of its batch brought it.
type change struct {
	at int
	condition.Transition
}

// replayed runs an engine for each part of a fleet over a recording and tells
// every change, in the order in which one engine for all of them would.
func replayed(ctx context.Context, parts []*config.Fleet, in io.Reader, name string, tell func(*condition.Transition) error) (tally, error) {
	var t tally
	reader, err := recording.NewReader(in, name)
	if err != nil {
		return t, err
	}
	began := time.Now()
	ctx, cancel := context.WithCancel(ctx)
	var workers sync.WaitGroup
	defer workers.Wait()
	defer cancel()
	r := newReplayer(parts)
	workers.Go(func() { r.parse(ctx, reader) })
	for i := range parts {
		workers.Go(func() { r.judge(i) })
	}
	var failed error
	for b := range r.parsed {
		b.judged.Wait()
		if err := b.tell(tell, &t); err != nil {
			return t, err
		}
		t.readings += len(b.readings)
		failed = b.err
		r.empty <- b // never blocks: no more batches are about than it holds
	}
	t.took = time.Since(began)
	for _, engine := range r.engines {
		t.unknown += engine.Unknown()
		t.late += engine.Late()
	}
	return t, errors.Join(failed, ctx.Err())
}

// replayer is the way of the batches: from empty to the parser, to all parts at
// the same time, in order, and to who tells what they found.
type replayer struct {
	engines []*rules.Engine
	order   []owned               // every fan of the fleet, in its order
	placeOf map[reading.FanID]int // in order
	turn    int                   // whose turn it is, in order
	empty   chan *batch
	parsed  chan *batch
	toJudge []chan *batch
}

// owned is a fan and the part that has it.
type owned struct {
	id   reading.FanID
	part uint8
}

func newReplayer(parts []*config.Fleet) *replayer {
	r := &replayer{placeOf: make(map[reading.FanID]int), empty: make(chan *batch, batchesAhead), parsed: make(chan *batch, batchesAhead)}
	for i, part := range parts {
		r.engines = append(r.engines, rules.New(part))
		r.toJudge = append(r.toJudge, make(chan *batch, batchesAhead))
		for _, fan := range part.Fans {
			r.placeOf[fan.ID] = len(r.order)
			r.order = append(r.order, owned{fan.ID, uint8(i)})
		}
	}
	for range batchesAhead {
		r.empty <- &batch{readings: make([]reading.Reading, batchSize), parts: make([]uint8, batchSize), changes: make([][]change, len(parts))}
	}
	return r
}

// parse fills batches until the end of the recording, the first error or the
// end of ctx. A fan that no part has is counted by the first.
func (r *replayer) parse(ctx context.Context, reader *recording.Reader) {
	defer func() {
		close(r.parsed)
		for _, to := range r.toJudge {
			close(to)
		}
	}()
	for err := error(nil); err == nil; {
		var b *batch
		select {
		case b = <-r.empty:
		case <-ctx.Done():
			return
		}
		var n int
		n, err = reader.Read(b.readings[:batchSize])
		b.readings, b.err = b.readings[:n], nil
		if err != nil && err != io.EOF {
			b.err = err
		}
		for i := range b.readings {
			b.parts[i] = r.part(b.readings[i].Fan)
		}
		b.judged.Add(len(r.toJudge))
		for _, to := range r.toJudge {
			to <- b // never blocks, likewise
		}
		r.parsed <- b // likewise
	}
}

// part returns whose a fan is. It mostly is the turn of the fan that came after
// the one before when they last came.
func (r *replayer) part(id reading.FanID) uint8 {
	if r.turn >= len(r.order) {
		r.turn = 0
	}
	if len(r.order) == 0 || r.order[r.turn].id != id {
		at, seen := r.placeOf[id]
		if !seen {
			return 0
		}
		r.turn = at
	}
	r.turn++
	return r.order[r.turn-1].part
}

// judge judges one part's readings of every batch.
func (r *replayer) judge(part int) {
	engine, own := r.engines[part], uint8(part)
	for b := range r.toJudge[part] {
		found := b.changes[part][:0]
		for i := range b.readings {
			if b.parts[i] != own {
				continue
			}
			for _, c := range engine.Observe(&b.readings[i]) {
				found = append(found, change{i, c})
			}
		}
		b.changes[part] = found
		b.judged.Done()
	}
}

// tell tells what all parts found, in the order of the readings. Each reading is
// one part's.
func (b *batch) tell(tell func(*condition.Transition) error, t *tally) error {
	for {
		next := -1
		for part, found := range b.changes {
			if len(found) > 0 && (next < 0 || found[0].at < b.changes[next][0].at) {
				next = part
			}
		}
		if next < 0 {
			return nil
		}
		t.changes++
		if err := tell(&b.changes[next][0].Transition); err != nil {
			return err
		}
		b.changes[next] = b.changes[next][1:]
	}
}
