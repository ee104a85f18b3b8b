package poller

// runs cuts a request into the smallest requests that it can be asked in: one
// for each value, or for values that lie over each other. They come by rising
// address.
func (r *Request) runs() []Request {
	var runs []Request
	for _, s := range r.slots {
		if last := len(runs) - 1; last >= 0 && s.Address < runs[last].Address+runs[last].Count {
			runs[last] = joined([]Request{runs[last], newRequest(s)})
			continue
		}
		runs = append(runs, newRequest(s))
	}
	return runs
}

// joined makes one request of neighbours that come by rising address.
func joined(runs []Request) Request {
	whole := runs[0]
	whole.slots = nil
	for _, run := range runs {
		whole.Count = max(whole.Count, run.Address+run.Count-whole.Address)
		whole.slots = append(whole.slots, run.slots...)
	}
	return whole
}

// halves splits a request in two: at its widest gap, since a device refuses a
// block for the registers in it that it does not have, or else in the middle.
// It returns nothing where the request cannot be split.
func (r *Request) halves() []Request {
	runs := r.runs()
	if len(runs) < 2 {
		return nil
	}
	cut, widest := len(runs)/2, 0
	for i := 1; i < len(runs); i++ {
		if gap := runs[i].Address - (runs[i-1].Address + runs[i-1].Count); gap > widest {
			cut, widest = i, gap
		}
	}
	return []Request{joined(runs[:cut]), joined(runs[cut:])}
}
