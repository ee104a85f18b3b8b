package main

import (
	"encoding/csv"
	"io"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// label is the truth about one fan or one gateway of one run.
type label struct {
	fan     reading.FanID
	gateway reading.GatewayID // of a gateway's own label; then fan is ""
	kind    field.Kind        // "": healthy
	onset   time.Time
	until   time.Time // zero: to the end
	shows   time.Time // zero: never
	limit   time.Duration
	want    condition.Name   // "": nothing may be raised
	instead []condition.Name // that say as much
	also    []condition.Name // true consequences
	note    string
	sharers []reading.FanID // fans of the same riser, whose shortage is told once
	// holds reports whether what was raised is literally so on the readings,
	// whatever the fault; nil: nothing was looked at.
	holds func(*condition.Transition) bool
}

// faulty reports whether the sample has a fault that ought to raise something.
func (l *label) faulty() bool { return l.want != "" }

// truthHeader names the columns of truth.csv. Times are RFC 3339; what does not
// apply is empty. Of a gateway's own trouble the column fan is empty.
func truthHeader() []string {
	return []string{"fan", "gateway", "fault", "onset", "shows", "until", "condition", "note"}
}

func (l *label) row() []string {
	return []string{string(l.fan), string(l.gateway), string(l.kind), instant(l.onset), instant(l.shows),
		instant(l.until), string(l.want), l.note}
}

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// writeTruth writes one row for each label.
func writeTruth(out io.Writer, labels []*label) error {
	w := csv.NewWriter(out)
	if err := w.Write(truthHeader()); err != nil {
		return err
	}
	for _, l := range labels {
		if err := w.Write(l.row()); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}
