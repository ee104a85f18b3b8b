// Command bench measures the program beside something that does the same work
// more simply, both in one run, so that what counts is a ratio: a busy or a slow
// machine changes both sides alike.
//
//	bench [--rows LIST] [--runs N] [--tiny] [--json]
//	bench scale [--fans N] [--gateways N] [--for 1m] [--runs N] [--history] [--troubles] [--json]
//	bench growth [--fans LIST] [--json]
//
// The first prints a table of rows. Each side of a row runs several times, in
// turn with the other side; the figures are medians, and the ratio is the
// median of the ratios of neighbouring runs.
//
// The other sides: for polling a C program on libmodbus that reads the same
// registers of the same server; for a serial line the least time that its cycle
// can take; for the engine and for replay somebody who only looks at the same
// readings; for /metrics plain gauges of client_golang; for history the plain
// numbers.
//
// It must be run inside the project's folder, because it builds the daemon and
// the C program. What is needed beside Go: a C compiler, pkg-config and
// libmodbus-dev for the rows of polling.
package main
