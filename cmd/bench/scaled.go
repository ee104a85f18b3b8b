package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
)

// scaled is what one run of scale brought.
type scaled struct {
	Cores       float64 `json:"cores"`           // CPU time of the daemon a second
	Memory      float64 `json:"memory_mb"`       // resident at the end
	Peak        float64 `json:"memory_peak_mb"`  // resident at most
	Rate        float64 `json:"readings_per_s"`  // that succeeded
	Failed      float64 `json:"failed_per_s"`    // that did not
	Jitter      float64 `json:"start_p99_ms"`    // 99 in 100 cycles started within so much of when they were due
	Missed      int     `json:"missed"`          // cycles
	Straying    float64 `json:"period_straying"` // the largest, of the gateways that are there, as a part of the period
	Scrape      float64 `json:"scrape_ms"`       // CPU of a scrape as Prometheus asks for it
	HostP99     float64 `json:"host_p99_ms"`     // oversleep of a process that only sleeps, in 99 of 100
	HostLongest float64 `json:"host_longest_ms"`
	HostStalls  int     `json:"host_stalls"` // oversleeps of more than 20 ms
}

// excused reports whether cycles were late or missed while the host did not even
// let a process sleep that does nothing else.
func (s *scaled) excused() bool {
	return (s.Jitter > mostJitter || s.Missed > 0) && s.HostStalls > 0
}

// against lists the aims that a run of the full fleet misses.
func (s *scaled) against(o *scaleOptions) []string {
	var missed []string
	check := func(value, most float64, what string) {
		if value > most {
			missed = append(missed, fmt.Sprintf("%s: %s, at most %s", what, number(value), number(most)))
		}
	}
	memory := mostMemory
	if o.history {
		memory = mostWith
	}
	check(s.Cores, mostCores, "cores")
	check(s.Memory, memory, "memory in MB")
	check(s.Jitter, mostJitter, "start of cycles in ms")
	if o.troubles {
		check(s.Straying, mostStraying, "part by which a period strays")
		return missed
	}
	check(float64(s.Missed), 0, "missed cycles")
	return missed
}

// middle is the median of every figure.
func middle(all []scaled) scaled {
	of := func(figure func(*scaled) float64) float64 {
		values := make([]float64, len(all))
		for i := range all {
			values[i] = figure(&all[i])
		}
		return median(values)
	}
	return scaled{
		Cores:       of(func(s *scaled) float64 { return s.Cores }),
		Memory:      of(func(s *scaled) float64 { return s.Memory }),
		Peak:        of(func(s *scaled) float64 { return s.Peak }),
		Rate:        of(func(s *scaled) float64 { return s.Rate }),
		Failed:      of(func(s *scaled) float64 { return s.Failed }),
		Jitter:      of(func(s *scaled) float64 { return s.Jitter }),
		Missed:      int(of(func(s *scaled) float64 { return float64(s.Missed) })),
		Straying:    of(func(s *scaled) float64 { return s.Straying }),
		Scrape:      of(func(s *scaled) float64 { return s.Scrape }),
		HostP99:     of(func(s *scaled) float64 { return s.HostP99 }),
		HostLongest: of(func(s *scaled) float64 { return s.HostLongest }),
		HostStalls:  int(of(func(s *scaled) float64 { return float64(s.HostStalls) })),
	}
}

// printScale prints the runs, and their median last.
func printScale(w io.Writer, runs []scaled, m scaled) {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "run\tcores\tmemory MB\tpeak MB\treadings/s\tfailed/s\tstart p99 ms\tmissed\tperiod strays\tscrape ms\thost p99 ms\thost longest ms\thost stalls")
	line := func(name string, s *scaled) {
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s %%\t%s\t%s\t%s\t%d\n", name, number(s.Cores), number(s.Memory), number(s.Peak), number(s.Rate),
			number(s.Failed), number(s.Jitter), s.Missed, number(100*s.Straying), number(s.Scrape), number(s.HostP99), number(s.HostLongest), s.HostStalls)
	}
	for i := range runs {
		line(strconv.Itoa(i+1), &runs[i])
	}
	line("median", &m)
	table.Flush()
}

// numbers reads a list with commas between.
func numbers(list string) ([]int, error) {
	var all []int
	for _, cell := range strings.Split(list, ",") {
		n, err := strconv.Atoi(cell)
		if err != nil || n < 1 {
			return nil, fmt.Errorf("%q is not a number of fans", cell)
		}
		all = append(all, n)
	}
	return all, nil
}
