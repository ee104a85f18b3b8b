// Labelled writes readings of simulated fans with the truth beside them, and
// scores the rules on them. It is for those who work on the rules.
//
//	go run ./cmd/labelled write --dir DIR [--seed N] [--hours 30] [--fans N] [--weeks N]
//	go run ./cmd/labelled score [--seeds 20] [--hours 30] [--fans N] [--rules LIST] [--cases]
//	go run ./cmd/labelled score --weeks 10 [--poll 5m]
//
// A run is a small campus for some hours: every kind of trouble at least once,
// fans that share a riser or go wrong together, healthy fans that look ill, ill
// fans that look healthy, plain healthy fans, and gateways with troubles of their
// own. A run of weeks has few fans, for what comes slowly. The seed decides
// everything.
//
// Beside the rules stands a baseline (baseline.go): the held thresholds that a
// person would write in an afternoon, judged by the same truth.
//
// What the figures mean (the terms of Frank et al. 2019, Energy and Buildings
// 192:84-92, which asks for definitions of fault and input sample first):
//
//   - A fault is one trouble that the field was given, of one fan or one
//     gateway, from its onset to its end or the end of the run. It is there
//     whether or not it can be seen.
//   - An input sample is one fan, or one gateway, for one whole run.
//   - A fault shows from the first reading from which on the readings, looked at
//     afterwards, carry the condition that it should raise for as long as its time
//     limit, or as its evidence needs where that is less. One that never shows
//     (too little demand, too small a leak) is no miss. The witnesses of that
//     (shows*.go, twin.go) know what a condition claims and nothing of the rules.
//   - Found: the condition was raised while the fault was on, or within half an
//     hour of its end, as what it did may show for a while. In time: within
//     the limit from when it first showed. Recall is in time over shown.
//   - Delay is from when it first showed to when it was raised.
//   - A false alarm is a condition raised on a sample without a fault, or before
//     its onset, or long after its end. Of these, some are literally so on the
//     readings: a note that holds (literal.go).
//   - A second condition (misdiagnosis) is any that is raised on a faulty sample
//     while the fault is on, beside the expected one. Of these, some are true
//     consequences of the fault that hold of the fan as well (expected.go).
//   - Left standing: the condition is still raised two hours after the fault ended.
//
// The time limits are printed below the table.
package main
