package reading

import "fmt"

// Failure is the error of a read that brought no values: how it ended, in the
// words that readings are counted by, and what the protocol said.
type Failure struct {
	Outcome Outcome
	Code    uint8 // of an exception, 1 to 255; 0 where the other side refused nothing
	Err     error // what the protocol said; never nil
}

// Error returns what the protocol said, with the outcome before it.
func (f *Failure) Error() string { return fmt.Sprintf("%s: %v", f.Outcome, f.Err) }

// Unwrap returns what the protocol said.
func (f *Failure) Unwrap() error { return f.Err }
