package config

import (
	"testing"
	"time"
)

func TestHours(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	// 2026-01-05 is a Monday; in 2026 the clocks there go forward on March 8.
	for _, c := range []struct {
		hours    string
		at       string
		open     bool
		nextOpen string
	}{
		{"mon-fri 07:00-19:00", "2026-01-05 07:00", true, "2026-01-05 07:00"},
		{"mon-fri 07:00-19:00", "2026-01-05 06:59", false, "2026-01-05 07:00"},
		{"mon-fri 07:00-19:00", "2026-01-05 19:00", false, "2026-01-06 07:00"},
		{"mon-fri 07:00-19:00", "2026-01-09 20:15", false, "2026-01-12 07:00"},
		{"mon-fri 18:00-07:00", "2026-01-10 06:59", true, "2026-01-10 06:59"}, // Saturday: Friday's night
		{"mon-fri 18:00-07:00", "2026-01-10 07:00", false, "2026-01-12 18:00"},
		{"mon-fri 18:00-07:00", "2026-01-05 03:00", false, "2026-01-05 18:00"}, // Sunday's night is not in it
		{"sat,sun", "2026-01-10 00:00", true, "2026-01-10 00:00"},
		{"fri-mon", "2026-01-05 23:59", true, "2026-01-05 23:59"},
		{"08:00-08:00", "2026-01-05 12:00", true, "2026-01-05 12:00"},
		{"Monday,wednes 9:30-24:00", "2026-01-07 09:29", false, "2026-01-07 09:30"},
		{"00:00-05:00", "2026-03-08 04:59", true, "2026-03-08 04:59"},
		{"06:00-22:00", "2026-03-07 23:00", false, "2026-03-08 06:00"},
	} {
		h, problem := parseHours(c.hours)
		if problem != "" {
			t.Errorf("%q: %s", c.hours, problem)
			continue
		}
		w := &Way{Hours: []Hours{h}}
		at, _ := time.ParseInLocation("2006-01-02 15:04", c.at, chicago)
		if got := w.Open(at); got != c.open {
			t.Errorf("%q at %s: open %v", c.hours, c.at, got)
		}
		if got := w.Opens(at.Add(20 * time.Second)).Format("2006-01-02 15:04"); got != c.nextOpen {
			t.Errorf("%q at %s: opens %s, want %s", c.hours, c.at, got, c.nextOpen)
		}
	}
	if always := (&Way{}); !always.Open(time.Now()) {
		t.Error("a way without hours is not open")
	}
}

// The next opening is the same as by looking at every minute, also where the
// clock on the wall is set forward or back.
func TestOpensIsWhatEveryMinuteShows(t *testing.T) {
	for _, zone := range []string{"America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"} {
		in, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		for _, texts := range [][]string{{"mon-fri 07:00-19:00"}, {"sun 02:30-03:30"}, {"sun 01:30-02:00"}, {"sat,sun", "fri 23:50-00:10"}, {"mon 00:00-00:01"},
			{"sun 00:00-24:00"}, {"06:59-07:00", "wed 18:00-09:00"}} {
			w := &Way{}
			for _, text := range texts {
				h, problem := parseHours(text)
				if problem != "" {
					t.Fatal(problem)
				}
				w.Hours = append(w.Hours, h)
			}
			// In 2026 the clocks of Chicago are set on March 8 and November 1, those of
			// Lord Howe Island, by half an hour, on April 5 and October 4.
			for _, week := range []time.Time{time.Date(2026, 3, 6, 0, 0, 0, 0, in), time.Date(2026, 10, 30, 0, 0, 0, 0, in),
				time.Date(2026, 4, 3, 0, 0, 0, 0, in), time.Date(2026, 10, 2, 0, 0, 0, 0, in)} {
				var want time.Time
				for minute := 18 * 24 * 60; minute >= 0; minute-- {
					at := week.Add(time.Duration(minute) * time.Minute)
					if w.Open(at) {
						want = at
					}
					if minute < 5*24*60 && (minute%17 == 0 || minute/60%24 < 4 && minute%3 == 0) {
						if got := w.Opens(at); !got.Equal(want) {
							t.Fatalf("%v in %s at %s: opens %s, want %s", texts, zone, at, got, want)
						}
					}
				}
			}
		}
	}
}

func BenchmarkOpens(b *testing.B) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		b.Fatal(err)
	}
	h, _ := parseHours("mon-fri 07:00-19:00")
	w, friday := &Way{Hours: []Hours{h}}, time.Date(2026, 1, 9, 19, 1, 0, 0, chicago)
	for b.Loop() {
		w.Opens(friday)
	}
}

func TestHoursThatAreNone(t *testing.T) {
	for _, text := range []string{"", " ", "mon fri", "mon-fri 7-19", "mon-fri 07:00", "07:00-25:00", "24:00-07:00", "mo 07:00-19:00", "mon-frei",
		"07:00-19:60", "07:00-08:00 09:00-10:00", "07:0-19:00", "-1:00-19:00"} {
		if _, problem := parseHours(text); problem == "" {
			t.Errorf("%q was read", text)
		}
	}
}
