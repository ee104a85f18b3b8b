// Package metrics shows the fleet's snapshot to Prometheus.
//
// A gauge set by hand for each fan costs seconds of CPU a scrape on a large
// campus, and shows half of one snapshot and half of the next. So what a fan is
// called in the text is made once, when its fleet file is loaded, and a scrape
// only adds the numbers, all from one snapshot (text.go). Whoever asks for
// messages instead of text gets those that are laid out once, too. Both pass by
// the checks of the client library's registry; the tests of this package run
// them instead, and hold the one against the other.
//
// A value that is stale, of bad quality or marked invalid has no series: it is
// left out, never repeated as if it were new, and never a zero.
package metrics
