package visit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// device holds input registers 10 to 19, each its own address; it refuses what is
// beyond, as a device does.
type device struct {
	first, last int
	silent      bool
	asked       []string
	closed      int
}

func (d *device) Read(unit int, table decode.Table, address, count int, into []uint16) error {
	d.asked = append(d.asked, fmt.Sprintf("%d+%d", address, count))
	if d.silent {
		return &reading.Failure{Outcome: reading.Timeout, Err: errors.New("no answer in time")}
	}
	if address < d.first || address+count-1 > d.last {
		return &reading.Failure{Outcome: reading.Exception, Code: 2, Err: errors.New("illegal data address")}
	}
	for i := range into[:count] {
		into[i] = uint16(address + i)
	}
	return nil
}

func (d *device) Close() error { d.closed++; return nil }

func visiting(d *device, gap int) (*Visit, *config.Fan) {
	g := &config.Gateway{ID: "g", MaxGap: gap, MaxRegisters: 125, LateReply: time.Second}
	f := &config.Fan{ID: "ef1", Gateway: g}
	for i, p := range []reading.Point{reading.Pressure, reading.Speed, reading.Setpoint} {
		f.Points = append(f.Points, config.PlacedPoint{Point: p, Unit: 1, Table: decode.Input, Address: []int{10, 12, 19}[i],
			Encoding: decode.Encoding{Type: decode.Uint16, Scale: 1, Bit: decode.NoBit}})
	}
	return New(g, func(context.Context, *config.Gateway) (poller.Session, error) { return d, nil }, nil), f
}

// Each point is asked for by itself first; what the device refuses is asked for
// more narrowly from then on, and every point has its neighbours that are to be had.
func TestLooks(t *testing.T) {
	d := &device{first: 10, last: 19}
	v, f := visiting(d, 8)
	l := NewLooker(v, f)
	var last []string
	for k := range 10 {
		d.asked = nil
		look, err := l.Look(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range l.points {
			if a := look.Answers[i]; a.Failure != nil || !slices.Equal(a.Words, []uint16{uint16(p.Address)}) {
				t.Errorf("look %d: %s: %+v", k, p.Point, a)
			}
		}
		if last = d.asked; k == 0 && !slices.Equal(last, []string{"10+1", "12+1", "19+1"}) {
			t.Errorf("the first look asked %v", last)
		}
		if k == 9 {
			want := [][2][]uint16{{nil, {11, 12}}, {{11}, {13, 14}}, {{18}, nil}}
			for i := range want {
				a := look.Answers[i]
				if !slices.Equal(a.Before, want[i][0]) || !slices.Equal(a.After, want[i][1]) {
					t.Errorf("%s has %v before and %v after", l.points[i].Point, a.Before, a.After)
				}
			}
		}
	}
	if len(last) > 3 {
		t.Errorf("a look asks %v in the end", last)
	}
}

// Where nothing unused may be read, nothing is.
func TestNoGap(t *testing.T) {
	d := &device{first: 10, last: 19}
	v, f := visiting(d, 0)
	l := NewLooker(v, f)
	for range 3 {
		d.asked = nil
		if _, err := l.Look(context.Background()); err != nil {
			t.Fatal(err)
		}
		if want := []string{"10+1", "12+1", "19+1"}; !slices.Equal(d.asked, want) {
			t.Errorf("asked %v, want %v", d.asked, want)
		}
	}
}

// A silent unit costs two time-outs a look, and its connection is closed and
// opened again only when no late answer can come any more.
func TestSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &device{silent: true}
		v, f := visiting(d, 8)
		l := NewLooker(v, f)
		began := time.Now()
		look, err := l.Look(context.Background())
		if err != nil || len(d.asked) != 2 || d.closed != 2 || time.Since(began) < time.Second {
			t.Errorf("%v; asked %v, closed %d, after %s", err, d.asked, d.closed, time.Since(began))
		}
		for i := range look.Answers {
			if look.Answers[i].Failure == nil {
				t.Errorf("%s answered", l.points[i].Point)
			}
		}
	})
}

// A driver writes nothing but what an exercise may.
func TestDriverWritesOutputsOnly(t *testing.T) {
	v, f := visiting(&device{}, 8)
	if err := NewDriver(v, f).Write(context.Background(), f.Points[0], []uint16{1}); err == nil {
		t.Error("a pressure was written")
	}
}
