//go:build !race

package browser_test

const slowed = false
