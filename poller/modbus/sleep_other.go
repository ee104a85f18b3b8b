//go:build !linux

package modbus

import "time"

// sleepUntil waits for an instant.
func sleepUntil(due time.Time) { time.Sleep(time.Until(due)) }
