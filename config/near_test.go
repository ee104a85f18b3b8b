package config

import (
	"strings"
	"testing"
)

func TestNearest(t *testing.T) {
	names := []string{"setpoint", "poll_every", "baud", "unit", "id", "probe", "probe_range", "absent_when"}
	for wrong, want := range map[string]string{
		"setpiont": "setpoint", "Setpoint": "setpoint", "set_point": "setpoint", "pollevery": "poll_every", "baudrate": "baud",
		"units": "unit", "ids": "id", "probe_rnge": "probe_range", "absent": "absent_when", "colour": "", "x": "", "": "",
		strings.Repeat("setpoint", 100): "setpoint",
	} {
		if got := nearest(wrong, names); got != want {
			t.Errorf("%.20q: %q, want %q", wrong, got, want)
		}
	}
}

func TestMeant(t *testing.T) {
	many := strings.Split("aa bb cc dd ee ff gg hh ii jj kk ll mm", " ")
	for _, c := range []struct {
		wrong string
		names []string
		want  string
	}{
		{"alder-rof", []string{"alder-roof"}, `did you mean "alder-roof"?`},
		{"x", nil, "there is none in the file yet"},
		{"basement", []string{"roof", "plant"}, `write one of "roof", "plant"`},
		{"basement", many, `write one of the 13 that there are, such as "aa", "bb", "cc"`},
	} {
		if got := Meant(c.wrong, c.names); got != c.want {
			t.Errorf("%q: %q, want %q", c.wrong, got, c.want)
		}
	}
}
