package notify

import (
	"testing"
	"time"

	"fanwarden/rules/journal"
)

// A message of an earlier process waits as long as it was to, and no longer because
// the clock was set in between.
func TestResume(t *testing.T) {
	now := time.Now()
	for _, test := range []struct {
		name  string
		draft bool
		next  time.Duration // by the clock of the process before
		want  time.Duration
	}{
		{"a draft that is due", true, -time.Minute, 0},
		{"a draft that gathers", true, 4 * time.Second, 4 * time.Second},
		{"a draft, the clock set back", true, 2 * time.Hour, gather},
		{"a message that is due", false, -time.Hour, 0},
		{"one that is put off", false, 8 * time.Minute, 8 * time.Minute},
		{"one, the clock set back by a year", false, 366 * 24 * time.Hour, longestAsked},
	} {
		m := journal.Message{Next: now.Add(test.next).Round(0)} // as it is on disk
		if test.draft {
			m.Draft = &journal.Draft{}
		}
		Resume(&m, now)
		if got := m.Next.Sub(now); got < test.want-time.Millisecond || got > test.want+time.Millisecond {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
		}
	}
}
