// Soak runs the real daemon for a stated time against a simulated field, gives
// both every trouble that they can have, and proves afterwards that nothing grew,
// nothing was mixed up, nothing was lost and nothing was invented.
//
//	go run ./cmd/soak --for 2m            what CI runs
//	go run ./cmd/soak --for 1h            by hand, before a release
//	go run ./cmd/soak --for 2m --seed 7   the same plan again
//
// The daemon is a process of its own, built from this tree, with a store, history
// and ways out. The field is in this process, so that it knows what each fan truly
// read at every instant. Between them stand pipes that do what a field cannot:
// answer twice, answer in drips, take a connection and say nothing.
//
// The run goes in rounds. In each, half of the gateways have a trouble of their own
// (plan.go) while the daemon has some as well (ordeal.go): it is killed, its disk is
// full, its clock jumps, its fleet file changes or breaks, its receivers are down,
// its clients stall, its gateways are borrowed by a program that is killed. Then
// all is well for a while, and what must be true then is held against it.
//
// What is proved:
//
//   - Values: whatever /api/v1/fleet, /metrics and history.csv give of a fan is what
//     this fan had at that time (truth.go). As a measure of how sharp that is, each
//     value is also held against another fan, and it is reported how many pass.
//   - Conditions: each trouble that calls for one raises it in time, it stands as
//     long as the trouble does, also across a kill, and goes when that is over; and
//     no other fan or gateway has any (conditions.go).
//   - Notifications: each alarm that stood long enough to be told was told by its
//     way out, and that it is over as well, signed, under one id with one text
//     (receivers.go).
//   - Growth: goroutines, descriptors, sockets, threads and memory, taken at rest
//     after each round, have the same median late in the run as early (growth.go).
//   - Life: the daemon never ends by itself, never panics, and answers.
//
// Two troubles need something of the machine. A full disk is a small tmpfs where it
// may be mounted (root), and a limit on the size of files otherwise, which needs no
// right. A clock cannot be set for one process, and Go programs heed no preloaded
// library: so the daemon is built with a package time that adds what is written in
// a file (clock.go). To a Go program that is what a step of the system's clock is:
// the wall jumps, the monotonic clock does not. Where that cannot be built, the run
// says that no clock jumped.
package main
