package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
)

// replayContest sets `fanwarden replay` beside a program that reads the same
// file once, cell by cell, and judges nothing.
func replayContest() contest {
	const beside = "a scan by encoding/csv that judges nothing"
	return contest{name: "replay", rows: []row{
		{Name: "replay-rate", What: "readings a second of a recording of 56 fans", Beside: beside, Unit: "1/s", Aim: &aim{Of: "ours", Least: 2e6}},
		// What others leave of the processors does not change this much: two
		// million a second need at most 1,000 ns on two cores.
		{Name: "replay-cpu", What: "CPU a reading", Beside: beside, Unit: "ns"},
	},
		prepare: func(ctx context.Context, b *bench) (ours, theirs side, err error) {
			program, err := b.build(ctx, "fanwarden")
			if err != nil {
				return nil, nil, err
			}
			fleet, readings := filepath.Join(b.folder, "fleet.toml"), filepath.Join(b.folder, "readings.csv")
			p := plan{fans: 56, gateways: 7, url: onLoopback(1502)}
			if err := os.WriteFile(fleet, []byte(p.text()), 0o600); err != nil {
				return nil, nil, err
			}
			if err := writeRecording(&p, readings, sized(b, 28*time.Hour, time.Minute)); err != nil {
				return nil, nil, err
			}
			ours = func(ctx context.Context) (figures, error) { return replayOnce(ctx, program, fleet, readings) }
			theirs = func(context.Context) (figures, error) { return scanOnce(readings) }
			return ours, theirs, nil
		}}
}

// writeRecording records a fleet with troubles.
func writeRecording(p *plan, path string, span time.Duration) error {
	fleet, err := p.parse()
	if err != nil {
		return err
	}
	f, err := troubled(fleet)
	if err != nil {
		return err
	}
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	buffer := bufio.NewWriterSize(file, 1<<20)
	w := recording.NewWriter(buffer)
	err = record(f, span, func(fan *config.Fan, r *reading.Reading) error { return w.Write(r, fan.ControlsAirflow) })
	return errors.Join(err, buffer.Flush(), file.Close())
}

// rate finds what replay says of itself.
var rate = regexp.MustCompile(`^([0-9]+) readings? .*\(([0-9]+) a second\)`)

func replayOnce(ctx context.Context, program, fleet, readings string) (figures, error) {
	cmd := exec.CommandContext(ctx, program, "replay", "--config", fleet, readings)
	var told strings.Builder
	cmd.Stderr = &told
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("replay: %w: %s", err, told.String())
	}
	found := rate.FindStringSubmatch(told.String())
	if found == nil {
		return nil, fmt.Errorf("replay says %q, and no rate", told.String())
	}
	judged, err := strconv.ParseFloat(found[1], 64)
	perSecond, err2 := strconv.ParseFloat(found[2], 64)
	used := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	return figures{"replay-rate": perSecond, "replay-cpu": float64(used) / judged}, errors.Join(err, err2)
}

func scanOnce(path string) (figures, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	began, used, rows := time.Now(), processorTime(), 0
	r := csv.NewReader(bufio.NewReaderSize(file, 1<<16))
	r.ReuseRecord = true
	for {
		if _, err := r.Read(); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		rows++
	}
	used = processorTime() - used
	return figures{"replay-rate": float64(rows) / time.Since(began).Seconds(), "replay-cpu": float64(used) / float64(rows)}, nil
}
