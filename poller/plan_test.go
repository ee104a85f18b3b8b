package poller

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// at places a point; types of two words are 32 bits wide.
func at(p reading.Point, unit int, table decode.Table, address int, kind decode.Type) config.PlacedPoint {
	return config.PlacedPoint{Point: p, Unit: unit, Table: table, Address: address,
		Encoding: decode.Encoding{Type: kind, Bit: decode.NoBit, Scale: 1}}
}

func fanOf(g *config.Gateway, unit int, points ...config.PlacedPoint) *config.Fan {
	return &config.Fan{ID: reading.FanID(fmt.Sprint("ef", unit, points[0].Address)), Gateway: g, Unit: unit, Points: points}
}

// shapes says what a plan asks for: unit, table, address, count.
func shapes(p *Plan) (all []string) {
	for _, r := range p.Requests {
		all = append(all, fmt.Sprintf("%d %s %d+%d", r.Unit, r.Table, r.Address, r.Count))
	}
	return all
}

func TestPlan(t *testing.T) {
	input, holding, discrete, coil := decode.Input, decode.Holding, decode.Discrete, decode.Coil
	word, long, bit := decode.Uint16, decode.Float32, decode.Bool
	tests := []struct {
		name    string
		gateway config.Gateway
		fans    func(*config.Gateway) []*config.Fan
		want    []string
	}{
		{"side by side", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 1, word), at(reading.Pressure, 1, input, 0, word))}
		}, []string{"1 input 0+2"}},
		{"tables apart", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word), at(reading.Setpoint, 1, holding, 0, word),
				at(reading.HighSpeed, 1, discrete, 0, bit), at(reading.Enable, 1, coil, 0, bit))}
		}, []string{"1 coil 0+1", "1 discrete 0+1", "1 holding 0+1", "1 input 0+1"}},
		{"fans that share a unit", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word)), fanOf(g, 1, at(reading.Speed, 1, input, 1, word))}
		}, []string{"1 input 0+2"}},
		{"the same register for two fans", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 4, word)), fanOf(g, 1, at(reading.Setpoint, 1, input, 4, word))}
		}, []string{"1 input 4+1"}},
		{"no gap allowed", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word), at(reading.Pressure, 1, input, 2, word))}
		}, []string{"1 input 0+1", "1 input 2+1"}},
		{"a gap of two bridged, of three not", config.Gateway{MaxGap: 2}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word), at(reading.Pressure, 1, input, 3, word),
				at(reading.RPM, 1, input, 7, word))}
		}, []string{"1 input 0+4", "1 input 7+1"}},
		{"bits bridge sixteen for each register", config.Gateway{MaxGap: 1}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.HighSpeed, 1, discrete, 0, bit), at(reading.Proof, 1, discrete, 17, bit),
				at(reading.Fault, 1, discrete, 35, bit))}
		}, []string{"1 discrete 0+18", "1 discrete 35+1"}},
		{"32 bits are never split", config.Gateway{MaxRegisters: 3}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, long), at(reading.Pressure, 1, input, 2, long))}
		}, []string{"1 input 0+2", "1 input 2+2"}},
		{"outputs are not read", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word), at(reading.ForceSpeed, 1, input, 1, word))}
		}, []string{"1 input 0+1"}},
		{"a point in another unit", config.Gateway{}, func(g *config.Gateway) []*config.Fan {
			return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word), at(reading.Proof, 40, discrete, 3, bit))}
		}, []string{"1 input 0+1", "40 discrete 3+1"}},
		{"what the gateway says itself", config.Gateway{Points: []config.PlacedPoint{
			{Point: reading.HeardAgo, Unit: 200, Table: holding, Address: 8}, {Point: reading.Heartbeat, Unit: 201, Table: holding, Address: 9}}},
			func(g *config.Gateway) []*config.Fan {
				return []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, input, 0, word))}
			}, []string{"1 input 0+1", "200 holding 8+1", "201 holding 9+1"}},
	}
	for _, test := range tests {
		test.gateway.ID = "g"
		if got := shapes(PlanGateway(&test.gateway, test.fans(&test.gateway))); !slices.Equal(got, test.want) {
			t.Errorf("%s:\n got %q\nwant %q", test.name, got, test.want)
		}
	}
}

// The limits of the Modbus Application Protocol V1.1b3, sections 6.1 to 6.4:
// 125 registers, 2000 bits.
func TestPlanKeepsTheProtocolsLimits(t *testing.T) {
	g := &config.Gateway{ID: "g", MaxGap: 1000}
	far := fanOf(g, 1, at(reading.Speed, 1, decode.Input, 0, decode.Uint16), at(reading.RPM, 1, decode.Input, 124, decode.Uint16),
		at(reading.Power, 1, decode.Input, 125, decode.Uint16), at(reading.HighSpeed, 1, decode.Coil, 0, decode.Bool),
		at(reading.Proof, 1, decode.Coil, 1999, decode.Bool), at(reading.Fault, 1, decode.Coil, 2000, decode.Bool))
	want := []string{"1 coil 0+2000", "1 coil 2000+1", "1 input 0+125", "1 input 125+1"}
	if got := shapes(PlanGateway(g, []*config.Fan{far})); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Where answers have no number, requests in a row differ in what their answers
// look like: by their order, or by cutting some in two.
func TestPlanVariesWhereAnswersHaveNoNumber(t *testing.T) {
	pair := func(g *config.Gateway, base int) *config.Fan {
		return fanOf(g, 1, at(reading.Pressure, 1, decode.Input, base, decode.Uint16), at(reading.Speed, 1, decode.Input, base+1, decode.Uint16))
	}
	g := &config.Gateway{ID: "g", Scheme: "rtuovertcp"}
	tests := []struct {
		name string
		fans []*config.Fan
		want []string
	}{
		{"one", []*config.Fan{pair(g, 0)}, []string{"1 input 0+2"}},
		{"another table between", []*config.Fan{pair(g, 0), pair(g, 10), fanOf(g, 1, at(reading.HighSpeed, 1, decode.Coil, 0, decode.Bool))},
			[]string{"1 input 0+2", "1 coil 0+1", "1 input 10+2"}},
		{"four alike", []*config.Fan{pair(g, 0), pair(g, 10), pair(g, 20), pair(g, 30)},
			[]string{"1 input 10+2", "1 input 0+1", "1 input 20+2", "1 input 1+1", "1 input 30+2"}},
		{"single values cannot be cut", []*config.Fan{fanOf(g, 1, at(reading.Speed, 1, decode.Input, 0, decode.Float32),
			at(reading.Pressure, 1, decode.Input, 10, decode.Float32))}, []string{"1 input 0+2", "1 input 10+2"}},
	}
	for _, test := range tests {
		if got := shapes(PlanGateway(g, test.fans)); !slices.Equal(got, test.want) {
			t.Errorf("%s:\n got %q\nwant %q", test.name, got, test.want)
		}
	}
}

// drawFans draws fans with any points at any places.
func drawFans(rt *rapid.T, g *config.Gateway) (fans []*config.Fan) {
	for i := range rapid.IntRange(1, 8).Draw(rt, "fans") {
		unit := rapid.IntRange(1, 3).Draw(rt, "unit")
		fan := &config.Fan{ID: reading.FanID(fmt.Sprint("ef", i)), Gateway: g, Unit: unit}
		for p := range rapid.IntRange(1, 12).Draw(rt, "points") {
			table := decode.Table(rapid.IntRange(0, 3).Draw(rt, "table"))
			kind := decode.Type(rapid.IntRange(0, 5).Draw(rt, "type"))
			fan.Points = append(fan.Points, at(reading.Point(p), unit, table, rapid.IntRange(0, 300).Draw(rt, "address"), kind))
		}
		fans = append(fans, fan)
	}
	return fans
}

func drawGateway(rt *rapid.T) *config.Gateway {
	scheme := rapid.SampledFrom([]string{"tcp", "rtuovertcp"}).Draw(rt, "scheme")
	return &config.Gateway{ID: "g", Scheme: scheme, MaxGap: rapid.IntRange(0, 20).Draw(rt, "max_gap"),
		MaxRegisters: rapid.IntRange(2, 125).Draw(rt, "max_registers")}
}

// covers checks that requests bring every point once, whole and in its place.
func covers(rt *rapid.T, plan *Plan, requests []Request) {
	times := map[string]int{}
	for _, r := range requests {
		limit := min(125, plan.Gateway.MaxRegisters)
		if r.Table.Bits() {
			limit = min(2000, 16*plan.Gateway.MaxRegisters)
		}
		if r.Count > limit || r.Count < 1 {
			rt.Fatalf("%d %s in one request; the limit is %d", r.Count, r.Table, limit)
		}
		for _, s := range r.slots {
			if s.Unit != r.Unit || s.Table != r.Table || s.Address < r.Address || s.Address+s.Words() > r.Address+r.Count {
				rt.Fatalf("%d %s %d of %d words is read by %d %s %d+%d", s.Unit, s.Table, s.Address, s.Words(),
					r.Unit, r.Table, r.Address, r.Count)
			}
			times[fmt.Sprint(s.fan, s.Point)]++
		}
	}
	for i, fan := range plan.Fans {
		for _, placed := range fan.Points {
			if n := times[fmt.Sprint(i, placed.Point)]; n != 1 {
				rt.Fatalf("%s %s is read %d times", fan.ID, placed.Point, n)
			}
		}
	}
}

func TestEveryPointIsReadOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		g := drawGateway(rt)
		plan := PlanGateway(g, drawFans(rt, g))
		covers(rt, plan, plan.Requests)
		naive := 0
		for _, fan := range plan.Fans {
			naive += len(fan.Points)
		}
		if len(plan.Requests) > naive {
			rt.Fatalf("%d requests for %d points", len(plan.Requests), naive)
		}
		for i := 1; numberless(g) && i < len(plan.Requests); i++ {
			a, b := &plan.Requests[i-1], &plan.Requests[i]
			if a.Unit == b.Unit && a.shape() == b.shape() && (a.halves() != nil || b.halves() != nil) {
				rt.Fatalf("two requests in a row, for %d+%d and %d+%d, have answers alike and could be cut",
					a.Address, a.Count, b.Address, b.Count)
			}
		}
	})
}

// However a request is split, nothing of it is lost and no 32 bits are torn.
func TestHalvesBringTheWhole(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		g := drawGateway(rt)
		plan := PlanGateway(g, drawFans(rt, g))
		var parts []Request
		for _, r := range plan.Requests {
			if halves := r.halves(); halves != nil {
				parts = append(parts, halves...)
			} else {
				parts = append(parts, r)
			}
		}
		covers(rt, plan, parts)
	})
}
