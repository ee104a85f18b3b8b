// Package metrics shows the fleet's snapshot to Prometheus.
//
// A gauge set by hand for each fan costs a third of a second a scrape on a
// large campus, and shows half of one snapshot and half of the next. So the
// messages of a whole fleet are laid out once, when its fleet file is loaded,
// and only their numbers are filled in at a scrape, all from one snapshot.
// Such a gatherer passes by the checks of the client library's registry; the
// tests of this package run them instead.
//
// A value that is stale, of bad quality or marked invalid has no series: it is
// left out, never repeated as if it were new, and never a zero.
package metrics
