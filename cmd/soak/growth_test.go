package main

import "testing"

// grown is a run of samples at rest in which the first resource goes as given.
func grown(lives []int, goroutines ...float64) (all []sample) {
	for i, n := range goroutines {
		s := sample{life: lives[min(i, len(lives)-1)], values: make([]float64, len(resources))}
		s.values[0] = n
		all = append(all, s)
	}
	return all
}

func TestTrends(t *testing.T) {
	tests := []struct {
		name string
		all  []sample
		grew bool
	}{
		{"still", grown([]int{0}, 50, 51, 50, 52, 50, 51, 50, 51, 50), false},
		{"one each round", grown([]int{0}, 50, 51, 52, 53, 54, 55, 56, 57, 58, 59, 60, 61, 62, 63, 64, 65), true},
		{"a single peak", grown([]int{0}, 50, 51, 50, 52, 50, 51, 50, 90, 50), false},
		{"of another process", grown([]int{0, 0, 1}, 20, 20, 50, 50, 51), false},
		{"warm-up", grown([]int{0}, 10, 50, 51, 50, 52, 50, 51, 50, 51), false},
		{"two only", grown([]int{0}, 50, 70), true},
	}
	for _, test := range tests {
		if got := trends(test.all)[0]; got.grew() != test.grew {
			t.Errorf("%s: %+v", test.name, got)
		}
	}
	if trends(nil) != nil {
		t.Error("no samples have a trend")
	}
}

func TestNumber(t *testing.T) {
	status := "Name:\tfanwarden\nVmRSS:\t   45000 kB\nThreads:\t9\n"
	if number(status, "VmRSS:") != 45000 || number(status, "Threads:") != 9 || number(status, "None:") != 0 {
		t.Error(number(status, "VmRSS:"), number(status, "Threads:"), number(status, "None:"))
	}
}
