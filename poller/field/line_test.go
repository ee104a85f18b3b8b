package field

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// noon is when the fields of these tests begin.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func fleetFrom(t testing.TB, text string) *config.Fleet {
	t.Helper()
	fleet, faults := config.Parse("fleet.toml", []byte(text), nil)
	for _, fault := range faults {
		t.Error(fault)
	}
	if fleet == nil {
		t.FailNow()
	}
	return fleet
}

// wideFleet has fans with a map of 125 registers, as units 1, 2, 3, ... behind
// one gateway.
func wideFleet(t testing.TB, scheme, more string, fans int) *config.Fleet {
	text := `
[pointmaps.wide.points.pressure]
table = "holding"
address = 0
type = "int16"
scale = 0.1
unit = "Pa"
[pointmaps.wide.points.speed]
table = "holding"
address = 124
type = "uint16"
scale = 0.1
unit = "%"
[[buildings]]
id = "b"
[[gateways]]
id = "g"
building = "b"
url = "` + scheme + `://127.0.0.1:1502"
timeout = "800ms"
` + more
	for unit := 1; unit <= fans; unit++ {
		text += fmt.Sprintf("[[fans]]\nid = \"f%d\"\ngateway = \"g\"\nunit = %d\npointmap = \"wide\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n", unit, unit)
	}
	return fleetFrom(t, text)
}

// lineOf returns the first gateway of a fleet, without its network side.
func lineOf(fleet *config.Fleet, seed uint64) (*line, *Field) {
	f := New(fleet, seed, noon)
	return newLine(fleet.Gateways[0], &Server{field: f, start: noon}, ServeOptions{Seed: seed}), f
}

// registers asks a unit for so many holding registers from 0 on.
func registers(unit, count int) request {
	return request{transaction: 7, unit: uint8(unit), pdu: []byte{readHolding, 0, 0, 0, uint8(count)}}
}

// reaction is the longest time that a unit takes to think.
const reaction = 4 * time.Millisecond

// Times in ms follow from MODBUS over Serial Line V1.02, section 2.5.1.1:
// (13 + 2N) characters of 11 bits and two silences of t3.5, which is 3.5
// characters up to 19200 bit/s and 1.750 ms above.
func TestALineIsAsSlowAsItsBaudRate(t *testing.T) {
	for _, test := range []struct {
		baud, count int
		want        float64
	}{
		{9600, 1, 25.21}, {9600, 10, 45.83}, {9600, 50, 137.50}, {9600, 125, 309.38},
		{19200, 1, 12.60}, {19200, 10, 22.92}, {19200, 50, 68.75}, {19200, 125, 154.69},
		{38400, 1, 7.80}, {38400, 10, 12.95}, {38400, 50, 35.87}, {38400, 125, 78.84},
		{115200, 1, 4.93}, {115200, 10, 6.65}, {115200, 50, 14.29}, {115200, 125, 28.61},
	} {
		floor := lineTime(8, 5+2*test.count, test.baud) + silence(test.baud)
		if ms := floor.Seconds() * 1000; math.Abs(ms-test.want) > 0.006 {
			t.Errorf("%d registers at %d baud hold the line for %.3f ms; want %.2f", test.count, test.baud, ms, test.want)
		}
		l, _ := lineOf(wideFleet(t, "tcp", fmt.Sprintf("line_baud = %d\n", test.baud), 1), 1)
		for _, prompt := range []bool{false, true} {
			most := floor + reaction
			if prompt {
				l.prompt, most = exactly, floor
			}
			synctest.Test(t, func(t *testing.T) {
				l.ask(t.Context(), registers(1, test.count))
				began := time.Now()
				pdu := l.ask(t.Context(), registers(1, test.count)) // after the silence that the first one left
				if took := time.Since(began); len(pdu) != 2+2*test.count || took < floor || took > most {
					t.Errorf("%d registers at %d baud: %d bytes after %s; the floor is %s", test.count, test.baud, len(pdu), took, floor)
				}
			})
		}
	}
}

// An answer is there with its last character: the silence behind it holds up the
// next request only.
func TestAnAnswerDoesNotWaitForTheSilenceBehindIt(t *testing.T) {
	l, _ := lineOf(wideFleet(t, "tcp", "line_baud = 9600\n", 1), 1)
	l.prompt = exactly
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		l.ask(t.Context(), registers(1, 10))
		// 33 characters of 11 bits, and one silence of 3.5.
		if took, want := time.Since(began), 41823*time.Microsecond; (took - want).Abs() > time.Microsecond {
			t.Errorf("the answer came after %s; want %s", took, want)
		}
	})
}

func TestALineWithoutABaudRateAnswersAtOnce(t *testing.T) {
	l, _ := lineOf(wideFleet(t, "tcp", "", 1), 1)
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		l.ask(t.Context(), registers(1, 125))
		if took := time.Since(began); took != 0 {
			t.Errorf("answered after %s", took)
		}
	})
}

// exactly waits in synthetic time, which is exact.
func exactly(until time.Time) { time.Sleep(time.Until(until)) }

// 32 reads of 10 registers at 9600 bit/s, asked all at once, take 32 times
// 45.83 ms one after another.
func TestOneConversationAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := lineOf(wideFleet(t, "tcp", "line_baud = 9600\n", 32), 1)
		var all sync.WaitGroup
		began := time.Now()
		for unit := 1; unit <= 32; unit++ {
			all.Go(func() { l.ask(t.Context(), registers(unit, 10)) })
		}
		all.Wait()
		// The last silence is behind the last answer.
		least := 1467*time.Millisecond - silence(9600)
		if took := time.Since(began); took < least || took > least+32*reaction {
			t.Errorf("all answers after %s; want %s and the time to think", took, least)
		}
	})
}

// A unit that is silent holds up its line for the gateway's own waiting time.
func TestASilentUnit(t *testing.T) {
	for scheme, want := range map[string][]byte{"tcp": octets("83 0B"), "udp": octets("83 0B"), "rtuovertcp": nil} {
		l, f := lineOf(wideFleet(t, scheme, "line_baud = 9600\n", 2), 1)
		if err := f.Put(Fault{Fan: "f2", Kind: SilentUnit}); err != nil {
			t.Fatal(err)
		}
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			got := l.ask(t.Context(), registers(2, 10))
			if took := time.Since(began); !bytes.Equal(got, want) || took != 400*time.Millisecond {
				t.Errorf("%s: % X after %s; want % X after half of the time-out", scheme, got, took, want)
			}
			if got := l.ask(t.Context(), registers(1, 10)); len(got) != 22 {
				t.Errorf("%s: the other unit answers % X", scheme, got)
			}
			if got := l.ask(t.Context(), registers(9, 10)); !bytes.Equal(got, want) {
				t.Errorf("%s: a unit that is not there answers % X", scheme, got)
			}
		})
	}
}

func TestACutTrunkSilencesAllUnits(t *testing.T) {
	l, f := lineOf(wideFleet(t, "tcp", "", 3), 1)
	f.Put(Fault{Gateway: "g", Kind: TrunkCut})
	synctest.Test(t, func(t *testing.T) {
		for unit := 1; unit <= 3; unit++ {
			if got := l.ask(t.Context(), registers(unit, 1)); !bytes.Equal(got, octets("83 0B")) {
				t.Errorf("unit %d: % X", unit, got)
			}
		}
	})
}

func TestASlowLine(t *testing.T) {
	for size, want := range map[float64]time.Duration{0: 400 * time.Millisecond, 0.25: 250 * time.Millisecond} {
		l, f := lineOf(wideFleet(t, "tcp", "", 1), 1)
		f.Put(Fault{Gateway: "g", Kind: SlowLine, Size: size})
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			l.ask(t.Context(), registers(1, 1))
			if took := time.Since(began); took != want {
				t.Errorf("size %v: answered after %s; want %s", size, took, want)
			}
		})
	}
}

func TestAnAnswerIsNotWaitedForBeyondTheEnd(t *testing.T) {
	l, f := lineOf(wideFleet(t, "tcp", "", 1), 1)
	if err := f.Put(Fault{Gateway: "g", Kind: SlowLine, Size: 30}); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if pdu := l.ask(ctx, registers(1, 1)); pdu != nil {
			t.Errorf("% X", pdu)
		}
	})
}

// What waits for a slow line is answered as soon as the line is slow no more.
func TestASlowLineIsOverWhenItsTroubleIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, f := lineOf(wideFleet(t, "tcp", "", 1), 1)
		slow := Fault{Gateway: "g", Kind: SlowLine, Size: 30}
		if err := f.Put(slow); err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(time.Second, func() { l.server.Clear("", "g", SlowLine) })
		began := time.Now()
		pdu := l.ask(t.Context(), registers(1, 1))
		if took := time.Since(began); len(pdu) != 4 || took < time.Second || took > time.Second+tick {
			t.Errorf("% X after %s; want an answer when the trouble ends after 1 s", pdu, took)
		}
	})
}

// A gateway that is switched off forgets what it was asked.
func TestAGatewayThatIsSwitchedOffFreesItsLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, f := lineOf(wideFleet(t, "tcp", "", 1), 1)
		if err := f.Put(Fault{Gateway: "g", Kind: SlowLine, Size: 30}); err != nil {
			t.Fatal(err)
		}
		p := newPort(t.Context(), l)
		ctx, off := context.WithCancel(p.ctx)
		here, there := net.Pipe()
		p.listener, p.off = there, off
		p.tasks.Go(func() { p.converse(ctx, there) })
		here.Write(octets("0001 0000 0006 01 03 0000 0001"))
		synctest.Wait()
		if len(l.busy) != 1 {
			t.Fatal("the line is free while a request waits")
		}
		p.close()
		synctest.Wait()
		if len(l.busy) != 0 {
			t.Error("the line waits on though its gateway is off")
		}
		p.tasks.Wait()
	})
}

// read asks without waiting.
func read(l *line, unit, count int) []byte {
	pdu, _ := l.answer(registers(unit, count))
	return pdu
}

func TestAGatewayThatRepeats(t *testing.T) {
	l, f := lineOf(wideFleet(t, "tcp", "", 1), 1)
	read(l, 1, 1) // what it was asked before the onset counts for nothing
	f.Step(time.Minute)
	live, _ := f.Value("f1", reading.Pressure)
	f.Put(Fault{Gateway: "g", Kind: RepeatsOld})
	var before []byte
	for range 10 {
		f.Step(time.Minute) // it is first asked a minute after the onset
		if before == nil {
			before = read(l, 1, 1)
			if shown := float64(int16(word(before, 2))) / 10; math.Abs(shown-live) > 0.051 {
				t.Errorf("it repeats %.1f Pa; at the onset it was %.2f", shown, live)
			}
		}
		if now := read(l, 1, 1); !bytes.Equal(now, before) {
			t.Fatalf("% X after % X", now, before)
		}
	}
	f.Clear(Fault{Gateway: "g", Kind: RepeatsOld})
	moved := false
	for range 10 {
		f.Step(time.Minute)
		moved = moved || !bytes.Equal(read(l, 1, 1), before)
	}
	if !moved {
		t.Error("nothing moves after the trouble has ended")
	}
}

func TestAGatewayThatFillsWithZeros(t *testing.T) {
	l, f := lineOf(wideFleet(t, "tcp", "", 2), 1)
	f.Put(Fault{Gateway: "g", Kind: ZeroFills})
	zeros := append([]byte{3, 250}, make([]byte, 250)...)
	for unit := 1; unit <= 2; unit++ {
		if got := read(l, unit, 125); !bytes.Equal(got, zeros) {
			t.Errorf("unit %d: % X", unit, got)
		}
	}
	f.Put(Fault{Fan: "f2", Kind: SilentUnit})
	if got := read(l, 2, 125); !bytes.Equal(got, zeros) {
		t.Errorf("the silent unit: % X", got)
	}
	if got := read(l, 1, 125); bytes.Equal(got, zeros) {
		t.Error("the unit that is heard reads zeros")
	}
}

func TestChanceFollowsTheSeed(t *testing.T) {
	run := func(kind Kind, seed uint64) (all []delivery, wrong int) {
		l, f := lineOf(wideFleet(t, "tcp", "", 1), seed)
		f.Put(Fault{Gateway: "g", Kind: kind})
		r := registers(1, 2)
		right := mbap{}.wrap(r, octets("03 04 0001 0002"))
		for range 1000 {
			d := l.deliver(r, octets("03 04 0001 0002"))
			if d.after > 0 || d.cut || !bytes.Equal(d.frame, right) {
				wrong++
			}
			if d.after > 0 && (d.after < 880*time.Millisecond || d.after > 2*time.Second) {
				t.Errorf("late by %s of a time-out of 800 ms", d.after)
			}
			all = append(all, d)
		}
		return all, wrong
	}
	for kind, share := range map[Kind]float64{AnswersLate: 0.2, SendsGarbage: 0.2, ResetsConnections: 0.1} {
		first, wrong := run(kind, 5)
		second, _ := run(kind, 5)
		other, _ := run(kind, 6)
		if fmt.Sprint(first) != fmt.Sprint(second) {
			t.Errorf("%s: the same seed gives another run", kind)
		}
		if fmt.Sprint(first) == fmt.Sprint(other) {
			t.Errorf("%s: another seed gives the same run", kind)
		}
		// 1000 draws: four standard deviations are 50 of 200 and 38 of 100.
		if math.Abs(float64(wrong)-1000*share) > 50 {
			t.Errorf("%s: %d of 1000 answers", kind, wrong)
		}
	}
}
