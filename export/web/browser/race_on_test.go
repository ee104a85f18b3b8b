//go:build race

package browser_test

// slowed is true where the race detector makes the handler of the test several
// times slower than the program is.
const slowed = true
