package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"slices"
	"time"
)

// dozeEvery is how long the process sleeps at a time that does nothing else.
const dozeEvery = 5 * time.Millisecond

// dozeCommand is that process. It notes by how much it oversleeps, and prints,
// when its input ends: the oversleep of 99 in 100 and the longest, in ms, and how
// many were a stall of the host.
func dozeCommand(_ context.Context, _ []string, in io.Reader, out, _ io.Writer) error {
	ended := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, in)
		close(ended)
	}()
	runtime.LockOSThread()
	var all []time.Duration
	for {
		due := time.Now().Add(dozeEvery)
		sleepUntil(due)
		all = append(all, time.Since(due))
		select {
		case <-ended:
			_, err := fmt.Fprintln(out, overslept(all))
			return err
		default:
		}
	}
}

// overslept is the line about oversleeps.
func overslept(all []time.Duration) string {
	slices.Sort(all)
	stalls := 0
	for _, d := range all {
		if d > stalledAt {
			stalls++
		}
	}
	last := len(all) - 1
	return fmt.Sprintf("%.3f %.3f %d", milliseconds(all[last*99/100]), milliseconds(all[last]), stalls)
}
