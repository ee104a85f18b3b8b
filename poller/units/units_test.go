package units

import (
	"math"
	"strings"
	"testing"
	"time"
)

// Sources: NIST SP 811, appendix B.8, for the inch of water (conventional), the
// foot, the cubic foot a minute and the horsepower; the others are exact by
// definition.
func TestFactorsToBaseUnits(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		want float64
	}{
		{"1 inH2O", Pressure, 249.08891},
		{"1 mmH2O", Pressure, 9.80665},
		{"1 kPa", Pressure, 1000},
		{"1 hPa", Pressure, 100},
		{"1 mbar", Pressure, 100},
		{"1 cfm", Flow, 4.719474e-4},
		{"2118.880 cfm", Flow, 1},
		{"3600 m3/h", Flow, 1},
		{"1000 L/s", Flow, 1},
		{"80 %", Ratio, 0.8},
		{"2 V", Ratio, 0.2}, // a 0-10 V signal
		{"1 hp", Power, 745.69987},
		{"1 kWh", Energy, 3.6e6},
		{"30d", Time, 2592000},
		{"90s", Time, 90},
		{"1h30m", Time, 5400},
		{"1.5 min", Time, 90},
		{"32 F", Temperature, 0},
		{"68 F", Temperature, 20},
		{"273.15 K", Temperature, 0},
		{"100 ft", Length, 30.48},
		{"0.075 lb/ft3", Density, 1.2013848}, // standard air; computed from the pound and the foot
		{"-1.5e-2 inH2O", Pressure, -3.73633365},
	} {
		got, err := Parse(c.text, c.d)
		if err != nil || math.Abs(got-c.want) > 1e-6*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%s: %v %v, want %v", c.text, got, err, c.want)
		}
	}
}

func TestEveryUnitComesBackFromItsBase(t *testing.T) {
	for _, u := range table {
		if found, ok := Find(u.Name); !ok || found != u {
			t.Errorf("%s is not found", u.Name)
		}
		if got := u.From(u.Base(12.5)); math.Abs(got-12.5) > 1e-12*12.5 {
			t.Errorf("%s: 12.5 comes back as %v", u.Name, got)
		}
	}
}

func TestTheFirstUnitOfADimensionIsItsBase(t *testing.T) {
	for d := Pressure; d <= Density; d++ {
		u, _ := Find(Names(d)[0])
		if u.Factor != 1 || u.Offset != 0 {
			t.Errorf("%s begins with %+v", d, u)
		}
	}
}

func TestWhatIsNoQuantitySaysWhatToWrite(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		want string
	}{
		{"20", Ratio, "has no unit; write it behind the number: ratio, %, V"},
		{"-0.12 inH20", Pressure, `"inH20" is not a unit that is known; write Pa, hPa, mbar, kPa, inH2O, mmH2O`},
		{"20 Pa", Time, "Pa is a unit of pressure, and time is wanted; write s, ms, min, h, d"},
		{"fast", Ratio, `"fast" has no number`},
		{"1.2.3 Pa", Pressure, `"1.2.3" is not a number`},
		{"1e999 Pa", Pressure, "is not a number"},
		{"", Pressure, "has no number"},
	} {
		if _, err := Parse(c.text, c.d); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
}

func TestRanges(t *testing.T) {
	low, high, err := ParseRange("-2..2 inH2O", Pressure)
	if err != nil || low != -2*249.08891 || high != 2*249.08891 {
		t.Errorf("%v %v %v", low, high, err)
	}
	for text, want := range map[string]string{"500 Pa": "is not a range", "500..-500 Pa": "is empty", "-5..5": "has no unit",
		"a..5 Pa": "has no number", "-5..5 cfm": "cfm is a unit of airflow"} {
		if _, _, err := ParseRange(text, Pressure); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

func TestPeopleAreShownTheUnitsOfTheSite(t *testing.T) {
	for _, c := range []struct {
		base     float64
		d        Dimension
		imperial string
		metric   string
	}{
		{-29.890669, Pressure, "-0.120 inH2O", "-29.9 Pa"},
		{-0.001, Pressure, "0.000 inH2O", "0.0 Pa"},
		{0.5, Flow, "1059 cfm", "500 L/s"},
		{0.8, Ratio, "80 %", "80 %"},
		{1320, Time, "22 min", "22 min"},
		{20, Temperature, "68 F", "20 C"},
		{30.48, Length, "100 ft", "30.5 m"},
		{7, Plain, "7", "7"},
	} {
		if got := Imperial.Format(c.base, c.d); got != c.imperial {
			t.Errorf("imperial: %q, want %q", got, c.imperial)
		}
		if got := Metric.Format(c.base, c.d); got != c.metric {
			t.Errorf("metric: %q, want %q", got, c.metric)
		}
	}
}

func TestTimesThatNoDurationHoldsAreWrittenAsTheLongest(t *testing.T) {
	for base, want := range map[float64]string{1e300: "106751 d 23 h", -1e300: "-106751 d 23 h", math.Inf(1): "106751 d 23 h", math.NaN(): "106751 d 23 h"} {
		if got := Metric.Format(base, Time); got != want {
			t.Errorf("%v: %q, want %q", base, got, want)
		}
	}
	if got := Span(math.MinInt64); got != "-106751 d 23 h" {
		t.Errorf("the least duration: %q", got)
	}
}

func TestSpansAreWrittenInTheirTwoLargestParts(t *testing.T) {
	for d, want := range map[time.Duration]string{45 * time.Second: "45 s", 119 * time.Second: "119 s", 22 * time.Minute: "22 min",
		125 * time.Minute: "2 h 5 min", 3 * time.Hour: "3 h", 52 * time.Hour: "2 d 4 h", 72 * time.Hour: "3 d", -time.Minute: "-60 s"} {
		if got := Span(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}
