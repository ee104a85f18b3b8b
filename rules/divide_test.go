package rules

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// campusOf is a fleet of buildings with a gateway and some fans each. Ties are
// fans that stand in one building and are read through the gateway of another.
func campusOf(fans []int, ties map[int]int) *config.Fleet {
	whole := testFleet(0)
	pattern := testFleet(1).Fans[0]
	whole.Buildings, whole.Gateways = nil, nil
	for i, n := range fans {
		b := &config.Building{ID: reading.BuildingID(fmt.Sprintf("b%d", i))}
		g := *pattern.Gateway
		g.ID, g.Building = reading.GatewayID(fmt.Sprintf("g%d", i)), b
		whole.Buildings, whole.Gateways = append(whole.Buildings, b), append(whole.Gateways, &g)
		for k := range n {
			f := *pattern
			f.ID, f.Building, f.Gateway = reading.FanID(fmt.Sprintf("b%d-ef%d", i, k)), b, &g
			whole.Fans = append(whole.Fans, &f)
		}
	}
	for building, gateway := range ties {
		f := *pattern
		f.ID, f.Building, f.Gateway = reading.FanID(fmt.Sprintf("tie%d", building)), whole.Buildings[building], whole.Gateways[gateway]
		whole.Fans = append(whole.Fans, &f)
	}
	return whole
}

func TestAFleetIsDividedWhereTheRulesSeeNothingTogether(t *testing.T) {
	for _, test := range []struct {
		name  string
		fleet *config.Fleet
		parts int
		want  []int // fans of each part
	}{
		{"two of four", campusOf([]int{5, 2, 2, 1}, nil), 2, []int{5, 5}},
		{"no more than there are buildings", campusOf([]int{3, 2}, nil), 8, []int{3, 2}},
		{"one building", campusOf([]int{9}, nil), 4, []int{9}},
		{"all tied, one to the next", campusOf([]int{1, 1, 1}, map[int]int{0: 1, 1: 2}), 3, []int{5}},
		{"two tied", campusOf([]int{2, 2, 2}, map[int]int{0: 2}), 3, []int{5, 2}},
		{"nobody", campusOf(nil, nil), 2, []int{0}},
		{"in one", campusOf([]int{1, 1}, nil), 0, []int{2}},
	} {
		got, seen := []int{}, 0
		for _, part := range Divide(test.fleet, test.parts) {
			got = append(got, len(part.Fans))
			seen += len(part.Gateways)
			for _, f := range part.Fans {
				if !slices.Contains(part.Gateways, f.Gateway) || !slices.Contains(part.Buildings, f.Building) || !slices.Contains(part.Buildings, f.Gateway.Building) {
					t.Errorf("%s: fan %s is without its gateway or a building", test.name, f.ID)
				}
			}
		}
		if !slices.Equal(got, test.want) || seen != len(test.fleet.Gateways) {
			t.Errorf("%s: fans %v, want %v; %d gateways of %d", test.name, got, test.want, seen, len(test.fleet.Gateways))
		}
	}
}

// Engines of the parts bring together what one engine brings, incidents of
// buildings and dead gateways included.
func TestPartsBringWhatTheWholeBrings(t *testing.T) {
	fleet := campusOf([]int{4, 3, 4, 2}, map[int]int{1: 0})
	whole := New(fleet)
	var engines []*Engine
	partOf := make(map[reading.FanID]int)
	for i, part := range Divide(fleet, 3) {
		engines = append(engines, New(part))
		for _, f := range part.Fans {
			partOf[f.ID] = i
		}
	}
	random, told := rand.New(rand.NewPCG(1, 2)), 0
	for at := time.Duration(0); at < 2*time.Hour; at += 5 * time.Second {
		for i, f := range fleet.Fans {
			r := reading.Reading{Fan: f.ID, Time: midnight.Add(at)}
			switch dead := at > 40*time.Minute && at < 80*time.Minute && f.Building.ID == "b2"; {
			case dead:
				r.Outcome = reading.Timeout
			case at > 20*time.Minute && i%2 == 0: // stays at its top, and short
				r.Set(reading.Speed, 1)
				r.Set(reading.Pressure, -10+random.Float64())
			default:
				r.Set(reading.Speed, 0.6+0.01*random.Float64())
				r.Set(reading.Pressure, -30+random.Float64())
			}
			twin := r
			want := fmt.Sprintf("%+v", whole.Observe(&r))
			got := engines[partOf[f.ID]].Observe(&twin)
			if fmt.Sprintf("%+v", got) != want {
				t.Fatalf("%s at %s:\n got %+v\nwant %s", f.ID, at, got, want)
			}
			told += len(got)
		}
	}
	if told < 8 {
		t.Errorf("only %d changes: this compared nothing", told)
	}
}
