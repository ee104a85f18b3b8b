package history

import (
	"math"
	"testing"
	"time"

	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// packings are ways to keep pressure, speed and flags of a reading, as the values
// of one series or of several.
var packings = map[string]func(r *reading.Reading) []float64{
	"apart": func(r *reading.Reading) []float64 {
		p, _ := r.Get(reading.Pressure)
		v, _ := r.Get(reading.Speed)
		return []float64{p, v, float64(pack(r, reading.Pressure, condition.Controlling) >> contactShift)}
	},
	"apart, in counts": func(r *reading.Reading) []float64 {
		p, _ := r.Get(reading.Pressure)
		v, _ := r.Get(reading.Speed)
		return []float64{math.Round(p * pressureCounts), math.Round(v * speedCounts), float64(pack(r, reading.Pressure, condition.Controlling) >> contactShift)}
	},
	"one word, float32": func(r *reading.Reading) []float64 {
		p, _ := r.Get(reading.Pressure)
		w := pack(r, reading.Pressure, condition.Controlling)
		return []float64{math.Float64frombits(uint64(w>>contactShift)<<48>>2 | uint64(w>>speedShift&speedMask)<<32>>2 | uint64(math.Float32bits(float32(p))))}
	},
	"one word": func(r *reading.Reading) []float64 {
		return []float64{math.Float64frombits(uint64(pack(r, reading.Pressure, condition.Controlling)))}
	},
}

// BenchmarkPacking measures the bytes a reading of each way, before the index.
func BenchmarkPacking(b *testing.B) {
	for name, packing := range packings {
		for _, e := range []chunkenc.Encoding{chunkenc.EncXOR, chunkenc.EncXOR2} {
			b.Run(name+"/"+e.String(), func(b *testing.B) {
				bytes, n := 0, 0
				for b.Loop() {
					bytes, n = chunked(packing, e)
				}
				b.ReportMetric(float64(bytes)/float64(n), "bytes/reading")
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/reading")
			})
		}
	}
}

func chunked(packing func(*reading.Reading) []float64, e chunkenc.Encoding) (bytes, n int) {
	p := newPlant(1)
	var r reading.Reading
	var chunks [3]chunkenc.Chunk
	var apps [3]chunkenc.Appender
	const perChunk = 120
	for i := range 100 * perChunk {
		at := start.Add(time.Duration(i) * 5 * time.Second)
		p.read(&r, "ef1", at)
		for k, v := range packing(&r) {
			if i%perChunk == 0 {
				if chunks[k] != nil {
					bytes += len(chunks[k].Bytes())
				}
				chunks[k], _ = chunkenc.NewEmptyChunk(e)
				apps[k], _ = chunks[k].Appender()
			}
			apps[k].Append(0, r.Time.UnixMilli(), v)
		}
	}
	for _, c := range chunks {
		if c != nil {
			bytes += len(c.Bytes())
		}
	}
	return bytes, 100 * perChunk
}
