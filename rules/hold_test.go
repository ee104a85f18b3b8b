package rules

import (
	"testing"
	"time"
)

// TestStand writes evidence as one letter a reading, 10 s apart: y for, n
// against, and a digit for a pause of so many minutes before the next. A + is
// expected from where the evidence is full.
func TestStand(t *testing.T) {
	w := wait{hold: 30 * time.Second, grace: 15 * time.Second, exit: 25 * time.Second}
	for name, c := range map[string]struct{ readings, want string }{
		"steady":                      {"yyyyyy", "---+++"},
		"too short":                   {"yyynnnyyy", "---------"},
		"a short interruption":        {"yynyyy", "-----+"},
		"a long one starts anew":      {"yynnnyyyy", "--------+"},
		"a gap does not count":        {"yyy5yyy", "----++"},
		"a gap does not reset":        {"yyy9yy", "----+"},
		"an interruption over a gap":  {"yyn5nyyy", "------+"},
		"exit":                        {"yyyynnnnyyyy", "---++++----+"},
		"exit is interrupted":         {"yyyynnynnnn", "---+++++++-"},
		"what is full stays in a gap": {"yyyy9n", "---++"},
	} {
		t.Run(name, func(t *testing.T) {
			var s stand
			now, got := midnight.UnixNano(), ""
			for _, r := range c.readings {
				if r >= '1' && r <= '9' {
					now += int64(time.Duration(r-'0') * time.Minute)
					continue
				}
				if s.feed(now, 20*time.Second, r == 'y', w) {
					got += "+"
				} else {
					got += "-"
				}
				now += int64(10 * time.Second)
			}
			if got != c.want {
				t.Errorf("%s gives %s, want %s", c.readings, got, c.want)
			}
		})
	}
}

func TestFilterFollowsAStepAsALowPassDoes(t *testing.T) {
	for _, step := range []time.Duration{time.Second, 5 * time.Second} {
		var l filter
		l.feed(0, 0, 20*time.Second)
		for range 20 * time.Second / step {
			l.feed(1, step, 20*time.Second)
		}
		// After one time constant a first-order lag has gone 63 % of the way;
		// coarse steps of the backward Euler method a little less.
		if l.value < 0.58 || l.value > 0.64 {
			t.Errorf("every %s it has gone %.3f of the way", step, l.value)
		}
	}
}
