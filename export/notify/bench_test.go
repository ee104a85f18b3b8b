package notify

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// All fans of a large fleet at once: the desk is held up as long.
func BenchmarkCompose5000(b *testing.B) {
	d := newDesk(&testing.T{})
	f := d.post.in.fleet
	for n := range 5000 - len(f.Fans) {
		f.Fans = append(f.Fans, &config.Fan{ID: reading.FanID(fmt.Sprintf("birch-ef%d", n)), Building: f.Buildings[1], Gateway: f.Gateways[0]})
	}
	d.post.SetFleet(f)
	for _, fan := range f.Fans {
		d.raise(string(fan.ID), condition.Page)
	}
	var drafts []journal.Message
	for _, m := range d.drafts {
		if m.Way == "pager" {
			drafts = append(drafts, m)
		}
	}
	for b.Loop() {
		if c := NewPost(f).Compose(f.Notify.Ways[0], drafts, d.now.Add(time.Minute), d.book.Find); len(c.Told) != 5000 {
			b.Fatalf("%d told", len(c.Told))
		}
	}
}
