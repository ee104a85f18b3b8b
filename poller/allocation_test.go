package poller

import (
	"context"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// steady answers everything with zeros.
type steady struct{}

func (steady) Read(_ int, _ decode.Table, _, count int, into []uint16) error {
	clear(into[:count])
	return nil
}
func (steady) Close() error { return nil }

// A cycle in which nothing goes wrong allocates nothing.
func TestSteadyCycleDoesNotAllocate(t *testing.T) {
	g := &config.Gateway{ID: "g", Scheme: "rtuovertcp", PollEvery: time.Second, Timeout: time.Second}
	var fans []*config.Fan
	for unit := 1; unit <= 20; unit++ {
		fan := registers(g, unit, 10)
		fan.PointMap = &config.PointMap{}
		fans = append(fans, fan)
	}
	dial := func(context.Context, *config.Gateway) (Session, error) { return steady{}, nil }
	w := newWorker(PlanGateway(g, fans), dial, func(*Cycle) {}, zap.NewNop())
	ctx := context.Background()
	w.poll(ctx)
	if n := testing.AllocsPerRun(100, func() { w.poll(ctx); w.sink(&w.cycle) }); n != 0 {
		t.Errorf("%v allocations a cycle; want none", n)
	}
}

func BenchmarkCycle(b *testing.B) {
	g := &config.Gateway{ID: "g", Scheme: "tcp", PollEvery: time.Second, Timeout: time.Second}
	var fans []*config.Fan
	for unit := 1; unit <= 100; unit++ {
		fan := registers(g, unit, 10)
		fan.PointMap = &config.PointMap{}
		fans = append(fans, fan)
	}
	dial := func(context.Context, *config.Gateway) (Session, error) { return steady{}, nil }
	w := newWorker(PlanGateway(g, fans), dial, func(*Cycle) {}, zap.NewNop())
	ctx := context.Background()
	b.ReportAllocs()
	for b.Loop() {
		w.poll(ctx)
	}
}
