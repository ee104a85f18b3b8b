package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/export/history"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// historySteps is how many steps a trend on the page has, about.
const historySteps = 1000

// historyContest sets the kept readings of a fan beside a file of plain
// numbers: time, value and speed of each, eight bytes a number.
func historyContest() contest {
	const beside = "a file of plain numbers"
	return contest{name: "history", rows: []row{
		{Name: "history-bytes", What: "bytes a reading kept on disk, a fan at 5 s", Beside: beside, Unit: "B"},
		{Name: "history-write", What: "CPU a reading kept", Beside: beside, Unit: "ns"},
		{Name: "history-query", What: "a trend of 30 days in 1,000 steps", Beside: beside, Unit: "ms"},
	}, prepare: func(_ context.Context, b *bench) (ours, theirs side, err error) {
		p := plan{fans: 1, gateways: 1, url: onLoopback(1502)}
		fleet, err := p.parse()
		if err != nil {
			return nil, nil, err
		}
		f, err := troubled(fleet)
		if err != nil {
			return nil, nil, err
		}
		var all []reading.Reading
		span := sized(b, 30*24*time.Hour, 8*time.Hour)
		if err := record(f, span, func(_ *config.Fan, r *reading.Reading) error { all = append(all, *r); return nil }); err != nil {
			return nil, nil, err
		}
		n := 0
		folder := func() string { n++; return filepath.Join(b.folder, fmt.Sprint("history", n)) }
		ours = func(ctx context.Context) (figures, error) { return keepOnce(ctx, folder(), fleet.Fans[0], all, span) }
		theirs = func(context.Context) (figures, error) { return plainOnce(folder(), all, span) }
		return ours, theirs, nil
	}}
}

// keepOnce keeps readings in the store and asks for their trend.
func keepOnce(ctx context.Context, dir string, fan *config.Fan, all []reading.Reading, span time.Duration) (figures, error) {
	defer os.RemoveAll(dir)
	store := history.Open(history.Options{Dir: dir, Keep: span + 24*time.Hour, Queue: 1 << 20})
	defer store.Close()
	if err := store.Flush(); err != nil {
		return nil, err
	}
	const batch = 5000 // commits are seconds apart in a daemon
	used := processorTime()
	for i := range all {
		store.Record(fan, &all[i], condition.Controlling)
		if i%batch == batch-1 {
			if err := store.Flush(); err != nil {
				return nil, err
			}
		}
	}
	err := store.Flush()
	used = processorTime() - used
	last := all[len(all)-1]
	last.Time = last.Time.Add(4 * time.Hour) // so that all before it goes into blocks
	store.Record(fan, &last, condition.Controlling)
	if err := errors.Join(err, store.Flush(), store.Tidy()); err != nil {
		return nil, err
	}
	bytes, err := blockBytes(dir)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	trend, err := store.Trend(ctx, fan.ID, fan.Controlled(), all[0].Time, all[0].Time.Add(span), span/historySteps)
	if err != nil || len(trend.Buckets) < historySteps-1 {
		return nil, fmt.Errorf("the trend has not all its steps: %w", err)
	}
	n := float64(len(all))
	return figures{"history-bytes": float64(bytes) / n, "history-write": float64(used) / n, "history-query": milliseconds(time.Since(began))}, nil
}

// blockBytes is the size of the blocks in a folder, without the log of the last
// hours. A block's folder has a name of 26 letters.
func blockBytes(dir string) (bytes int64, err error) {
	files, err := filepath.Glob(filepath.Join(dir, strings.Repeat("?", 26), "*"))
	chunks, err2 := filepath.Glob(filepath.Join(dir, strings.Repeat("?", 26), "chunks", "*"))
	for _, file := range append(files, chunks...) {
		if info, err := os.Stat(file); err == nil && info.Mode().IsRegular() {
			bytes += info.Size()
		}
	}
	return bytes, errors.Join(err, err2)
}

// plainOnce does the same with a file of plain numbers.
func plainOnce(path string, all []reading.Reading, span time.Duration) (figures, error) {
	defer os.Remove(path)
	used := processorTime()
	size, err := writePlain(path, all)
	used = processorTime() - used
	if err != nil {
		return nil, err
	}
	began := time.Now()
	steps, err := trendOfPlain(path, all[0].Time, span/historySteps)
	if err != nil || steps < historySteps-1 {
		return nil, fmt.Errorf("%d steps: %w", steps, err)
	}
	n := float64(len(all))
	return figures{"history-bytes": float64(size) / n, "history-write": float64(used) / n, "history-query": milliseconds(time.Since(began))}, nil
}

func writePlain(path string, all []reading.Reading) (size int64, err error) {
	file, err := os.Create(path)
	if err != nil {
		return 0, err
	}
	w := bufio.NewWriter(file)
	var record [24]byte
	for i := range all {
		value, _ := all[i].Get(reading.Pressure)
		speed, _ := all[i].Get(reading.Speed)
		binary.LittleEndian.PutUint64(record[:], uint64(all[i].Time.UnixMilli()))
		binary.LittleEndian.PutUint64(record[8:], math.Float64bits(value))
		binary.LittleEndian.PutUint64(record[16:], math.Float64bits(speed))
		if _, err := w.Write(record[:]); err != nil {
			return 0, errors.Join(err, file.Close())
		}
		size += int64(len(record))
	}
	return size, errors.Join(w.Flush(), file.Sync(), file.Close())
}

// trendOfPlain finds the least, the most and the mean of value and speed in each
// step.
func trendOfPlain(path string, from time.Time, step time.Duration) (steps int, err error) {
	file, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	type extent struct{ least, most, sum float64 }
	type bucket struct {
		value, speed extent
		n            int
	}
	var buckets []bucket
	take := func(e *extent, first bool, v float64) {
		if first {
			*e = extent{least: v, most: v}
		}
		e.least, e.most, e.sum = min(e.least, v), max(e.most, v), e.sum+v
	}
	r := bufio.NewReaderSize(file, 1<<16)
	var record [24]byte
	for last := int64(-1); ; {
		if _, err := io.ReadFull(r, record[:]); err == io.EOF {
			return len(buckets), nil
		} else if err != nil {
			return 0, err
		}
		at := (int64(binary.LittleEndian.Uint64(record[:])) - from.UnixMilli()) / step.Milliseconds()
		if at != last {
			buckets, last = append(buckets, bucket{}), at
		}
		b := &buckets[len(buckets)-1]
		take(&b.value, b.n == 0, math.Float64frombits(binary.LittleEndian.Uint64(record[8:])))
		take(&b.speed, b.n == 0, math.Float64frombits(binary.LittleEndian.Uint64(record[16:])))
		b.n++
	}
}
