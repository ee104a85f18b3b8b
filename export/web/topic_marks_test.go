package web

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestMarksOfTheCampus(t *testing.T) {
	told := watching(t, "marks").sees(sample.Campus(), 0)
	// From the sample: pressure or airflow, setpoint and speed; the rank by the worst
	// that stands; the mode as in condition.Mode; the place of pinned_at_max and
	// stuck_idle in the catalogue.
	want := `[[0,124,2,0,6,[]],[1,200,-60,4,7,[11]],[2,140,2,0,6,[]],[3,100,null,1,0,[]],` +
		`[4,null,null,2,0,[]],[5,null,null,3,0,[10]],[6,null,null,1,0,[]]]`
	if got, _ := json.Marshal(told["marks"]); string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, _ := json.Marshal(told["fans"].([]any)[4]); told["full"] != true || string(got) != `["birch-ef1","birch-ef1",1,"bath"]` {
		t.Errorf("full %v, fan 4 %s", told["full"], got)
	}
}

// Where a mark is: at setpoint, short of it, at none of it, on the wrong side.
func TestWhereAMarkIs(t *testing.T) {
	s := sample.Large(1)
	for _, c := range []struct {
		pressure, setpoint, speed float64
		x, y                      int16
	}{
		{-30, -30, 0.5, 100, 0}, {-15, -30, 1, 200, -50}, {0, -30, 0, 0, -100}, {30, -30, 1, 200, -200}, {-45, -30, 0.2, 40, 50},
		{-3000, -30, 0.2, 40, 400}, {3000, -30, 9, 400, -400}, {15, 20, 0.333, 67, -25}, {5, 0, 0.5, 100, nowhere},
	} {
		f := altered(s, 0, func(f *export.Fan) {
			reads(0, c.pressure, c.speed)(f)
			fan := *f.Fan
			f.Fan, fan.Setpoint = &fan, c.setpoint
		}).Fans[0]
		if d := dotOf(f, sample.Now()); d.x != c.x || d.y != c.y {
			t.Errorf("%v Pa of %v at %v: (%d, %d), want (%d, %d)", c.pressure, c.setpoint, c.speed, d.x, d.y, c.x, c.y)
		}
	}
}

func TestWhenAMarkIsTold(t *testing.T) {
	w := watching(t, "marks")
	s := sample.Large(3)
	w.sees(s, 0)
	pinned := func(f *export.Fan) {
		f.Standing = []condition.Standing{{Condition: condition.PinnedAtMax, Severity: condition.Ticket}}
	}
	for i, c := range []struct {
		after  time.Duration
		change func(*export.Fan)
		want   string // what is told of fan 1
	}{
		{1, nil, ""},
		{1, reads(time.Second, -29.9, 0.605), ""}, // 1 right: too little
		{2, reads(2*time.Second, -29.9, 0.61), "[1,122,0,0,6,[]]"},
		{3, reads(3*time.Second, -20, 0.9), ""}, // moved a second ago
		{6, nil, ""},                            //
		{7, nil, "[1,180,-33,0,6,[]]"},          // five seconds ago
		{8, pinned, "[1,180,-33,4,6,[11]]"},     // more than a move
		{9, reads(9*time.Second, -22, 0.9), ""},
		{30, nil, "[1,null,null,4,0,[11]]"}, // stale: no mere move either
		{31, reads(31*time.Second, -22, 0.9), "[1,180,-27,4,6,[11]]"},
	} {
		if c.change != nil {
			s = altered(s, 1, c.change)
		}
		if i == 8 { // the others are read
			s = altered(altered(s, 0, reads(30*time.Second, -30, 0.6)), 2, reads(30*time.Second, -29.8, 0.6))
		}
		told := w.sees(s, c.after*time.Second)
		want := map[string]any{"event": "marks"}
		if err := json.Unmarshal([]byte(`{"marks":[`+c.want+`]}`), &want); err != nil {
			t.Fatal(err)
		}
		if c.want == "" {
			want = nil
		}
		if !reflect.DeepEqual(told, want) {
			t.Errorf("step %d, at %d s: %v, want %v", i, c.after, told, want)
		}
	}
}

// What is shared with the picture before must be as if it were not.
func TestAPictureDoesNotDependOnTheOneBefore(t *testing.T) {
	r, s, notes := rand.New(rand.NewPCG(1, 2)), sample.Large(50), &ledger{}
	var last *picture
	for second := range 100 {
		after := time.Duration(second) * time.Second
		for range r.IntN(4) {
			s = altered(s, r.IntN(50), reads(after, -30+10*r.NormFloat64(), r.Float64()))
		}
		last = newPicture(s, sample.Now().Add(after), notes, last)
		fresh := newPicture(s, sample.Now().Add(after), notes, nil)
		if !reflect.DeepEqual(last.fans, fresh.fans) || last.newest != fresh.newest {
			t.Fatalf("second %d: the fans differ", second)
		}
	}
}

// living moves the fans as those of a campus do: each is polled every five
// seconds, wanders around its setpoint by a few per cent, and follows by its
// speed; one in fifty is idle, and now and then a poll fails.
type living struct {
	random   *rand.Rand
	snapshot *export.Snapshot
	held     []float64 // pressure as a share of setpoint
	speed    []float64
}

func newLiving(fans int) *living {
	l := &living{rand.New(rand.NewPCG(3, 4)), sample.Large(fans), make([]float64, fans), make([]float64, fans)}
	for i := range l.held {
		l.held[i], l.speed[i] = 1, 0.3+0.6*l.random.Float64()
	}
	return l
}

// poll reads the fans whose turn it is in a second.
func (l *living) poll(second int) {
	next := *l.snapshot
	next.Fans = append([]*export.Fan(nil), l.snapshot.Fans...)
	for i := second % 5; i < len(next.Fans); i += 5 {
		f := *next.Fans[i]
		l.held[i] += 0.3*(1-l.held[i]) + 0.03*l.random.NormFloat64()
		l.speed[i] = min(1, max(0.2, l.speed[i]+0.2*(1-l.held[i])+0.01*l.random.NormFloat64()))
		if l.random.IntN(200) == 0 {
			f.Polled, f.Outcome = sample.Now().Add(time.Duration(second)*time.Second), reading.Timeout
		} else if f.Outcome = reading.OK; i%50 == 0 {
			reads(time.Duration(second)*time.Second, 2*l.random.NormFloat64(), 0)(&f)
		} else {
			reads(time.Duration(second)*time.Second, math.Round(-300*l.held[i])/10, math.Round(l.speed[i]*1000)/1000)(&f)
		}
		next.Fans[i] = &f
	}
	l.snapshot = &next
}

// The updates of 10,000 fans that are polled every five seconds take less than
// 50 KB a second, in messages none of which is a burst.
func TestALargeFleetIsCheapToWatch(t *testing.T) {
	l, w := newLiving(10000), watching(t, "marks")
	var last *picture
	sent, most := 0, 0
	const seconds = 60
	for second := range seconds {
		l.poll(second)
		last = newPicture(l.snapshot, sample.Now().Add(time.Duration(second)*time.Second), &ledger{}, last)
		m := w.topic.next(last)
		if second > 0 {
			sent, most = sent+len(m.data), max(most, len(m.data))
		}
	}
	t.Logf("%d bytes a second, the longest message %d", sent/(seconds-1), most)
	if perSecond := sent / (seconds - 1); perSecond > 50_000 || perSecond < 5_000 || most > 60_000 {
		t.Errorf("%d bytes a second, the longest message %d", perSecond, most)
	}
}

// BenchmarkMarks10000 is a second of one stream, and of the picture that all
// streams share.
func BenchmarkMarks10000(b *testing.B) {
	l, topic := newLiving(10000), &marksTopic{}
	var last *picture
	sent, second := 0, 0
	for b.Loop() {
		b.StopTimer()
		l.poll(second)
		b.StartTimer()
		last = newPicture(l.snapshot, sample.Now().Add(time.Duration(second)*time.Second), &ledger{}, last)
		if m := topic.next(last); second > 0 {
			sent += len(m.data)
		}
		second++
	}
	b.ReportMetric(float64(sent)/float64(max(1, second-1)), "B/s")
}

// BenchmarkFirstMarks10000 is the first message of a stream; the list of fans is
// made once for all.
func BenchmarkFirstMarks10000(b *testing.B) {
	s := sample.Large(10000)
	for _, shared := range []bool{false, true} {
		b.Run(fmt.Sprintf("shared=%v", shared), func(b *testing.B) {
			p := newPicture(s, sample.Now(), &ledger{}, nil)
			for b.Loop() {
				if !shared {
					p = newPicture(s, sample.Now(), &ledger{}, nil)
				}
				b.ReportMetric(float64(len((&marksTopic{}).next(p).data)), "B")
			}
		})
	}
}

// A mark has a bit for each condition, and the page knows it by that number.
func TestEveryConditionHasItsBit(t *testing.T) {
	f := sample.Large(1).Fans[0]
	for i, d := range condition.Catalogue() {
		f.Standing = []condition.Standing{{Condition: d.Name}}
		if got := dotOf(f, sample.Now()).conditions; got != 1<<i {
			t.Errorf("%s: %b, want bit %d", d.Name, got, i)
		}
	}
}
