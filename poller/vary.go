package poller

import "slices"

// shape is what an answer without a number can be known by, apart from its
// unit.
type shape struct {
	function uint8
	bytes    int
}

func (r *Request) shape() shape { return shape{uint8(r.Table), r.bytes()} }

// vary orders the requests of one unit so that no two in a row have answers of
// the same shape: on a transport that gives answers no number, one that was
// sent twice, or that was meant for somebody else, then does not pass for the
// next. Where the order alone cannot do it, requests of the shape that there
// are too many of are asked in two halves, as long as they can be. One that
// holds a single value cannot.
func vary(requests []Request) []Request {
	for {
		ordered, crowd := alternate(requests)
		if len(crowd) == 0 {
			return ordered
		}
		i := slices.IndexFunc(requests, func(r Request) bool { return r.shape() == crowd[0] && r.halves() != nil })
		if i < 0 {
			return ordered
		}
		halves := requests[i].halves()
		requests = slices.Replace(slices.Clone(requests), i, i+1, halves...)
	}
}

// alternate orders requests by always taking the shape that is left most often,
// but not the same twice, which succeeds if any order does. Where none does, it
// returns the shape that there are too many of as well.
func alternate(requests []Request) (ordered []Request, crowd []shape) {
	left := slices.Clone(requests)
	for len(left) > 0 {
		count := map[shape]int{}
		for i := range left {
			count[left[i].shape()]++
		}
		next := -1
		for i := range left {
			s := left[i].shape()
			if last := len(ordered) - 1; last >= 0 && ordered[last].shape() == s {
				continue
			}
			if next < 0 || count[s] > count[left[next].shape()] {
				next = i
			}
		}
		if next < 0 { // nothing but one shape is left
			return append(ordered, left...), []shape{left[0].shape()}
		}
		ordered = append(ordered, left[next])
		left = slices.Delete(left, next, next+1)
	}
	return ordered, nil
}
