package main

import (
	"context"
	"errors"
	"io"
	"os"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/campus"
	"fanwarden/poller/reading"
)

// A past that is laid down must look to the rules as if it had been polled.
func TestThePastBringsWhatPollsWouldHaveBrought(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	d, err := newDemonstration(campus.Usual, "127.0.0.1:0", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	for _, trouble := range d.campus.Troubles {
		trouble.Fault.From = time.Time{}
		if err := d.field.Put(trouble.Fault); err != nil {
			t.Fatal(err)
		}
	}
	begun := d.field.Now()
	now := begun.Add(63 * time.Second)
	last, polls, share := map[reading.FanID]time.Time{}, 0, 0.0
	feed := func(r *reading.Reading) {
		polls++
		if at := r.Time; !at.After(last[r.Fan]) || at.After(now) {
			t.Errorf("%s: a reading of %s after one of %s", r.Fan, at, last[r.Fan])
		}
		last[r.Fan] = r.Time
		if want := endOf(r); r.Outcome != want {
			t.Errorf("a poll of %s ended %s, want %s", r.Fan, r.Outcome, want)
		}
		if _, good := r.Get(reading.Speed); good != (r.Outcome == reading.OK) {
			t.Errorf("%s: a poll that ended %s has a speed: %t", r.Fan, r.Outcome, good)
		}
	}
	err = layPast(context.Background(), d.field, func() time.Time { return now }, feed, func(done float64) { share = done })
	if err != nil {
		t.Fatal(err)
	}
	if want := campus.Usual * 12; polls != want {
		t.Errorf("%d readings of a minute, want %d", polls, want)
	}
	if !d.field.Now().Equal(now) {
		t.Errorf("the field stands at %s, want %s, where real polls go on", d.field.Now(), now)
	}
	if share < 0.9 || share > 1 {
		t.Errorf("at the end the share that is done is %v", share)
	}
}

// endOf is how a poll ends on a campus whose troubles are all on.
func endOf(r *reading.Reading) reading.Outcome {
	switch {
	case r.Gateway == "osmarle-gw":
		return reading.Refused
	case r.Gateway == "wickery-gw":
		return reading.UnitSilent
	case r.Fan == "quillmere-ef9":
		return reading.Timeout
	}
	return reading.OK
}

func TestThePastEndsWhenItIsToldTo(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	d, err := newDemonstration(campus.Least, "127.0.0.1:0", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	ctx, cancel := context.WithCancel(context.Background())
	polls := 0
	feed := func(*reading.Reading) { polls++; cancel() }
	if err := layPast(ctx, d.field, time.Now, feed, func(float64) {}); !errors.Is(err, context.Canceled) {
		t.Errorf("it ended with %v", err)
	}
	if polls != campus.Least {
		t.Errorf("%d readings, want those of the round that was under way", polls)
	}
}

func TestADemonstrationLeavesNothingBehind(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	d, err := newDemonstration(campus.Least, "127.0.0.1:0", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	if err := d.start(context.Background(), &process{stdout: io.Discard, stderr: io.Discard}); err != nil {
		t.Fatal(err)
	}
	d.close()
	if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
		t.Errorf("left in the temporary folder: %v %v", left, err)
	}
	if _, err := newDemonstration(campus.Least, "127.0.0.1", zap.NewNop()); err == nil {
		t.Error("an address without a port is taken")
	}
}
