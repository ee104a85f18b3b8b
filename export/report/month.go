package report

import (
	"fmt"
	"time"
)

// Month is a month of the calendar.
type Month struct {
	Year  int
	Month time.Month
}

// ParseMonth reads a month written as 2026-01.
func ParseMonth(text string) (Month, error) {
	t, err := time.Parse("2006-01", text)
	if err != nil {
		return Month{}, fmt.Errorf("%q is no month; write year and month, as in 2026-01", text)
	}
	return Month{t.Year(), t.Month()}, nil
}

// MonthOf is the month of a time, in the time's own zone.
func MonthOf(t time.Time) Month { return Month{t.Year(), t.Month()} }

// String writes the month as 2026-01.
func (m Month) String() string { return fmt.Sprintf("%04d-%02d", m.Year, m.Month) }

// Begins returns the month's first instant in a zone. From one to the next it is
// as many hours as the clocks of the zone make it: a month in which they are set
// forward is an hour short.
func (m Month) Begins(zone *time.Location) time.Time {
	return time.Date(m.Year, m.Month, 1, 0, 0, 0, 0, zone)
}

// Next is the month after it, Before the one before.
func (m Month) Next() Month { return m.add(1) }

// Before is the month before it.
func (m Month) Before() Month { return m.add(-1) }

func (m Month) add(n time.Month) Month {
	return MonthOf(time.Date(m.Year, m.Month+n, 1, 0, 0, 0, 0, time.UTC))
}
