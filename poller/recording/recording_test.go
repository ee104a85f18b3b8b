package recording

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"pgregory.net/rapid"

	"fanwarden/poller/reading"
)

func readAll(t testing.TB, text string) []reading.Reading {
	t.Helper()
	r, err := NewReader(iotest.OneByteReader(strings.NewReader(text)), "roof.csv")
	if err != nil {
		t.Fatal(err)
	}
	var all []reading.Reading
	for {
		var one reading.Reading
		err := r.Next(&one)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, one)
	}
}

func TestReaderTakesEveryFormOfARow(t *testing.T) {
	morning := time.Date(2026, 1, 5, 6, 31, 10, 0, time.UTC)
	good := reading.Reading{Fan: "alder-ef1", Time: morning}
	good.Set(reading.Speed, 0.62)
	good.Set(reading.Pressure, -30.5)
	plain := "time,fan,speed,pressure_pa\n"
	for name, c := range map[string]struct {
		text string
		want reading.Reading
	}{
		"plain":         {plain + "2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5\n", good},
		"no line end":   {plain + "2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5", good},
		"carriage":      {"time,fan,speed,pressure_pa\r\n2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5\r\n", good},
		"mark":          {"\uFEFF" + plain + "2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5\n", good},
		"marked quoted": {"\uFEFF\"time\",fan,speed,pressure_pa\n2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5\n", good},
		"blank lines":   {plain + "\n\r\n2026-01-05T06:31:10Z,alder-ef1,0.62,-30.5\n\n", good},
		"quoted":        {plain + "\"2026-01-05T06:31:10Z\",\"alder-ef1\",0.62,\"-30.5\"\n", good},
		"spaces":        {plain + "2026-01-05T06:31:10Z, alder-ef1 , 0.62,-30.5\n", good},
		"zone":          {plain + "2026-01-05T00:31:10-06:00,alder-ef1,0.62,-30.5\n", good},
		"unix":          {plain + "1767594670,alder-ef1,0.62,-30.5\n", good},
		"order":         {"pressure_pa,speed,fan,time\n-30.5,.62,alder-ef1,2026-01-05T06:31:10Z\n", good},
		"exponent":      {plain + "1767594670.000,alder-ef1,6.2e-1,-3.05E1\n", good},
	} {
		t.Run(name, func(t *testing.T) {
			all := readAll(t, c.text)
			if len(all) != 1 || all[0] != c.want {
				t.Errorf("read %+v, want %+v", all, c.want)
			}
		})
	}
}

func TestReaderTellsAPointWithoutAValueFromNoPoint(t *testing.T) {
	all := readAll(t, "time,fan,speed,pressure_pa,enable,quality\n1,a,0.5,,1,\n1,b,,,,timeout\n1,c,,,0,invalid\n")
	for i, want := range []struct {
		outcome  reading.Outcome
		pressure reading.Quality
		enable   reading.Quality
	}{
		{reading.OK, reading.Unanswered, reading.Good},
		{reading.Timeout, reading.Unanswered, reading.Unanswered},
		{reading.Invalid, reading.Marked, reading.Good},
	} {
		r := &all[i]
		if r.Outcome != want.outcome || r.Quality(reading.Pressure) != want.pressure ||
			r.Quality(reading.Enable) != want.enable || r.Quality(reading.Override) != reading.NotMapped {
			t.Errorf("row %d reads as %+v", i, r)
		}
	}
}

func TestReaderTakesASetpointOfEitherKind(t *testing.T) {
	all := readAll(t, "time,fan,speed,pressure_pa,airflow_m3s,setpoint_pa,setpoint_m3s\n1,a,0,-3,,-30,\n1,b,0,,0.4,,0.5\n")
	for i, want := range []float64{-30, 0.5} {
		if got, good := all[i].Get(reading.Setpoint); !good || got != want {
			t.Errorf("setpoint %v %v, want %v", got, good, want)
		}
	}
}

func TestReaderFaults(t *testing.T) {
	header := "time,fan,speed,pressure_pa,override,quality\n"
	for name, c := range map[string]struct{ text, want string }{
		"empty":       {"", "roof.csv:1: the file is empty; its first line must name the columns: time, fan, speed"},
		"column":      {"time,fan,speed,presure\n", `roof.csv:1: column "presure" is not known; the columns are time, fan, speed, high_speed, pressure_pa`},
		"twice":       {"time,fan,speed,fan\n", `roof.csv:1: column "fan" is there twice`},
		"no fan":      {"time,speed,pressure_pa\n", `roof.csv:1: there is no column "fan"`},
		"no value":    {"time,fan,speed\n", "roof.csv:1: there is no column for what the fans control"},
		"cells":       {header + "1,a,0.5,-30,0\n", "roof.csv:2: the row has 5 cells and the header 6"},
		"time":        {header + "\nyesterday,a,0.5,-30,0,\n", `roof.csv:3: time cannot be "yesterday"; write RFC 3339`},
		"second 60":   {header + "2026-01-05T06:31:10Z,a,,,,\n2026-01-05T06:31:60Z,a,,,,\n", `roof.csv:3: time cannot be`},
		"before 1970": {header + "1969-12-31T23:59:59Z,a,,,,\n", `roof.csv:2: time cannot be`},
		"fan":         {header + "1,,0.5,-30,0,\n", `roof.csv:2: fan cannot be ""`},
		"percent":     {header + "1,a,85,-30,0,\n", `roof.csv:2: speed cannot be "85"; write a ratio from 0 to 1`},
		"number":      {header + "1,a,0.5,-3O,0,\n", `roof.csv:2: pressure_pa cannot be "-3O"; write a number`},
		"nan":         {header + "1,a,0.5,NaN,0,\n", `roof.csv:2: pressure_pa cannot be "NaN"`},
		"contact":     {header + "1,a,0.5,-30,on,\n", `roof.csv:2: override cannot be "on"; write 1 for closed`},
		"quality":     {header + "1,a,0.5,-30,0,bad\n", `roof.csv:2: quality cannot be "bad"; write one of ok, timeout`},
		"quotes":      {header + "1,\"a,0.5,-30,0,\n", "roof.csv:2: its quotation marks do not pair up"},
		"later row":   {header + "1,\"a\nb\",0.5,-30,0,\n1,a,x,-30,0,\n", `roof.csv:4: speed cannot be "x"`},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := NewReader(strings.NewReader(c.text), "roof.csv")
			var one reading.Reading
			for err == nil {
				err = r.Next(&one)
			}
			if !strings.HasPrefix(err.Error(), c.want) {
				t.Errorf("error %q, want %q", err, c.want)
			}
		})
	}
}

func TestReaderGoesOnAfterAWrongRow(t *testing.T) {
	r, err := NewReader(strings.NewReader("time,fan,speed,pressure_pa\nx,a,,\n2,a,,\n"), "roof.csv")
	if err != nil {
		t.Fatal(err)
	}
	var one reading.Reading
	if err := r.Next(&one); err == nil {
		t.Error("a wrong time is read")
	}
	if err := r.Next(&one); err != nil || one.Time.Unix() != 2 {
		t.Errorf("the row after it: %v, %v", one.Time, err)
	}
	if err := r.Next(&one); err != io.EOF {
		t.Errorf("at the end: %v", err)
	}
}

func TestReaderPassesOnWhatTheFileSystemSays(t *testing.T) {
	broken := iotest.ErrReader(fmt.Errorf("disk on fire"))
	r, err := NewReader(io.MultiReader(strings.NewReader("time,fan,speed,pressure_pa\n"), broken), "roof.csv")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := r.Next(&reading.Reading{}); err == nil || err.Error() != "disk on fire" {
			t.Errorf("error %v", err)
		}
	}
}

// anyReading draws a reading as a recording can hold it: every column there.
func anyReading(t *rapid.T) (reading.Reading, bool) {
	flow := rapid.Bool().Draw(t, "flow")
	r := reading.Reading{
		Fan: reading.FanID(rapid.StringMatching(`[a-z]([a-z0-9",\n-]{0,10}[a-z0-9"])?`).Draw(t, "fan")),
		Time: time.Unix(rapid.Int64Range(0, latest).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).
			UTC(),
		Outcome: reading.Outcome(rapid.IntRange(0, reading.Outcomes-1).Draw(t, "outcome")),
	}
	missing := reading.Unanswered
	if r.Outcome == reading.Invalid {
		missing = reading.Marked
	}
	for _, c := range known() {
		if c.kind < number {
			continue
		}
		if r.Mark(c.point, missing); !rapid.Bool().Draw(t, c.name) {
			continue
		}
		switch c.kind {
		case number:
			r.Set(c.point, rapid.Float64().Draw(t, "value"))
		case speed:
			r.Set(c.point, rapid.Float64Range(slowest, fastest).Draw(t, "speed"))
		case contact:
			r.Set(c.point, float64(rapid.IntRange(0, 1).Draw(t, "contact")))
		}
	}
	return r, flow
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file bytes.Buffer
		w := NewWriter(&file)
		var want []reading.Reading
		for range rapid.IntRange(1, 5).Draw(t, "rows") {
			r, flow := anyReading(t)
			want = append(want, r)
			if err := w.Write(&r, flow); err != nil {
				t.Fatal(err)
			}
		}
		text := file.String()
		r, err := NewReader(&file, "roof.csv")
		if err != nil {
			t.Fatal(err)
		}
		got := make([]reading.Reading, len(want)+1)
		n, err := r.Read(got)
		if n != len(want) || err != io.EOF {
			t.Fatalf("%d rows and %v, want %d, of\n%s", n, err, len(want), text)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("read %+v, want %+v, of\n%s", got[i], want[i], text)
			}
		}
	})
}

func TestWriterWritesTheColumnsChosen(t *testing.T) {
	var file bytes.Buffer
	w := NewWriter(&file, "time", "fan", "speed", "pressure_pa", "setpoint_pa", "quality")
	r := reading.Reading{Fan: "alder-ef1", Time: time.Unix(1767594670, 0)}
	r.Set(reading.Speed, 0.62)
	r.Set(reading.Setpoint, -30)
	if err := w.Write(&r, false); err != nil {
		t.Fatal(err)
	}
	want := "time,fan,speed,pressure_pa,setpoint_pa,quality\n2026-01-05T06:31:10Z,alder-ef1,0.62,,-30,ok\n"
	if file.String() != want {
		t.Errorf("wrote %q, want %q", file.String(), want)
	}
}

func TestTimesAreReadAsTheTimePackageReadsThem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c clock
		for range 6 {
			text := rapid.StringMatching(`2026-01-05[Tt ]0[67]:3[01]:[0-6][0-9]([.,][0-9]{0,3})?(Z|z|[+-]0[016]:[03]0)?`).Draw(t, "time")
			want, err := time.Parse(time.RFC3339Nano, text)
			got, ok := c.read(text)
			if ok != (err == nil) || ok && !got.Equal(want) {
				t.Fatalf("%q reads as %v %v, want %v %v", text, got, ok, want, err)
			}
		}
	})
}

// FuzzReader checks that no file makes the reader panic or hang and that what
// it read can be written and read again.
func FuzzReader(f *testing.F) {
	f.Add("time,fan,speed,pressure_pa,quality\n2026-01-05T06:31:10Z,a,0.5,-30,ok\n")
	f.Add("\uFEFFtime,fan,speed,airflow_m3s\r\n1767594670.25,\"a,\"\"b\",1,0.4\r\n")
	f.Add("time,fan,speed,pressure_pa\n\"1\",\"a\nb\",,\n\n2,c,x,\n")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := NewReader(strings.NewReader(text), "fuzz.csv")
		if err != nil {
			return
		}
		var one, again reading.Reading
		for range strings.Count(text, "\n") + 2 {
			if err = r.Next(&one); err == io.EOF {
				return
			}
			if err != nil {
				continue
			}
			var file bytes.Buffer
			if err := NewWriter(&file).Write(&one, false); err != nil {
				t.Fatal(err)
			}
			back, err := NewReader(&file, "back.csv")
			if err != nil {
				t.Fatal(err)
			}
			if err := back.Next(&again); err != nil || again.Fan != one.Fan || !again.Time.Equal(one.Time) {
				t.Fatalf("%+v reads back as %+v, %v", one, again, err)
			}
		}
		t.Fatalf("the reader does not come to an end")
	})
}

func sampleFile(rows int) []byte {
	var file bytes.Buffer
	file.WriteString("time,fan,speed,high_speed,pressure_pa,setpoint_pa,enable,quality\n")
	at := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	for i := range rows {
		fmt.Fprintf(&file, "%s,alder-ef%d,0.%03d,%d,-%d.%02d,-30,1,ok\n",
			at.Add(time.Duration(i/200)*5*time.Second).Format(time.RFC3339), i%200, i%1000, i%2, i%60, i%100)
	}
	return file.Bytes()
}

func TestARowAllocatesOnce(t *testing.T) {
	r, err := NewReader(bytes.NewReader(sampleFile(20_000)), "roof.csv")
	if err != nil {
		t.Fatal(err)
	}
	var one reading.Reading
	for range 1000 {
		if err := r.Next(&one); err != nil {
			t.Fatal(err)
		}
	}
	if n := testing.AllocsPerRun(10_000, func() { _ = r.Next(&one) }); n > 0 {
		t.Errorf("%v allocations a row", n)
	}
}

func BenchmarkReader(b *testing.B) {
	file := sampleFile(100_000)
	b.SetBytes(int64(len(file) / 100_000))
	b.ReportAllocs()
	var one reading.Reading
	var r *Reader
	for i := 0; b.Loop(); i++ {
		if i%100_000 == 0 {
			r, _ = NewReader(bytes.NewReader(file), "roof.csv")
		}
		if err := r.Next(&one); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
