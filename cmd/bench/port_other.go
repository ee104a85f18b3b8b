//go:build !linux

package main

import (
	"errors"
	"time"
)

// port is a serial port with units behind it, which only Linux has here.
type port struct{ name string }

func openPort(int) (*port, error) {
	return nil, errors.New("serial ports are simulated on Linux only; leave out the rows of serial lines")
}

func (*port) close() {}
func (*port) serve() {}

// sleepUntil wakes as exactly as timers of the runtime do.
func sleepUntil(due time.Time) { time.Sleep(time.Until(due)) }
