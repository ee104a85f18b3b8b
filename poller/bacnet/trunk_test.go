package bacnet

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// Who waits comes in by turns, who has given up takes no place, and a window that was
// narrowed lets one in at least.
func TestTrunk(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		far := func(mac string) Station { return Station{Network: Network{2001, mac}} }
		if c.trunk(Station{}) != nil || c.trunk(far("\x01")) != c.trunk(far("\x02")) {
			t.Error("what shares a line")
		}
		line := c.trunk(far("\x01"))
		var inside []func()
		for range firstWindow {
			leave, err := line.enter(t.Context(), c)
			if err != nil {
				t.Fatal(err)
			}
			inside = append(inside, leave)
		}
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := line.enter(short, c); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("one more came in: %v", err)
		}
		var came atomic.Int32
		for range 3 {
			go func() {
				if _, err := line.enter(t.Context(), c); err == nil {
					came.Add(1)
				}
			}()
			synctest.Wait()
		}
		for range 100 {
			line.answered(true)
		}
		for i, leave := range inside {
			leave()
			leave()
			synctest.Wait()
			if want := int32(max(0, i-firstWindow+2)); came.Load() != want {
				t.Errorf("%d have left and %d have come in, want %d", i+1, came.Load(), want)
			}
		}
		for range 100 {
			line.answered(false)
		}
		synctest.Wait()
		if came.Load() != 3 || line.inside != 3 || len(line.queue) != 0 {
			t.Errorf("%d have come in, %d are there", came.Load(), line.inside)
		}
	})
}
