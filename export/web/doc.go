// Package web is what the daemon shows to people and scripts over HTTP: a page,
// an interface in JSON, whether it lives and is ready, and the metrics of
// another handler. Everything is read from one snapshot of the fleet for each
// request, so that no answer mixes two instants.
//
// People handle alarms here too: they acknowledge and shelve them and take fans
// out of service. That always wants a login, and nothing but reading goes without
// one. Who may log in is said by the fleet file; every error is JSON and says what
// to do.
//
// A building's month is made up as a page to print, as tables and as JSON, one
// report at a time, from what package report counts.
//
// In JSON, values are in base units, named as in recorded readings
// (pressure_pa, airflow_m3s, speed), and times are RFC 3339 in UTC. A value
// that is stale, invalid or unanswered is left out, never repeated as if it
// were new.
package web
