package config

import "fmt"

// Fault is one thing that is wrong with a fleet file or its roster: the place,
// what is wrong, and what to do about it.
type Fault struct {
	File   string
	Line   int // from 1
	What   string
	Remedy string
}

// String returns the fault as it is printed: "FILE:LINE: what; remedy".
func (f Fault) String() string { return fmt.Sprintf("%s:%d: %s; %s", f.File, f.Line, f.What, f.Remedy) }
