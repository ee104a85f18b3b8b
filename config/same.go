package config

import "reflect"

// SamePolling reports whether two files have the gateway read in the same way.
// Where it stands in its file does not matter.
func (g *Gateway) SamePolling(other *Gateway) bool {
	a, b := *g, *other
	a.origin, b.origin = origin{}, origin{}
	return reflect.DeepEqual(&a, &b)
}

// SamePolling reports whether two files have the fan read in the same way. How
// its readings are judged, and where it stands in its file, does not matter.
// Its gateway is not compared.
func (f *Fan) SamePolling(other *Fan) bool {
	a, b := *f, *other
	a.origin, b.origin = origin{}, origin{}
	a.Gateway, b.Gateway = nil, nil
	a.Rules, b.Rules = nil, nil
	a.given, b.given = 0, 0
	return reflect.DeepEqual(&a, &b)
}
