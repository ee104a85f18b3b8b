package metrics

import (
	dto "github.com/prometheus/client_model/go"

	"fanwarden/export"
)

// durationSlot is a histogram of durations.
type durationSlot struct {
	metric    dto.Metric
	histogram dto.Histogram
	count     uint64
	sum       float64
	counts    []uint64 // cumulative, one for each bound
}

func (d *durationSlot) lay(labels []*dto.LabelPair) {
	bounds := export.Bounds()
	d.counts = make([]uint64, len(bounds))
	for i := range bounds {
		d.histogram.Bucket = append(d.histogram.Bucket,
			&dto.Bucket{UpperBound: &bounds[i], CumulativeCount: &d.counts[i]})
	}
	d.histogram.SampleCount, d.histogram.SampleSum = &d.count, &d.sum
	d.metric.Histogram, d.metric.Label = &d.histogram, labels
}

// fill adds up the snapshot's buckets, which each count for themselves, as the
// exposition wants them: everything up to the bound. What lies beyond the last
// bound is in the count only.
func (d *durationSlot) fill(h *export.Histogram) {
	d.count, d.sum = 0, h.Sum
	for i, n := range h.Buckets {
		d.count += n
		if i < len(d.counts) {
			d.counts[i] = d.count
		}
	}
}
