package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"fanwarden/rules/condition"
)

// tally is the score of one condition.
type tally struct {
	faults int // that ought to raise it
	shown  int // of these, whose readings ever showed it
	found  int // of all, raised while the fault was on
	inTime int // of the shown, raised within the limit
	unseen int // of those that never showed, raised all the same: found before it was due
	wrong  int // raised on samples without a fault
	second int // raised on samples with another fault
	open   int // still raised two hours after the fault had ended
	delays []time.Duration
}

func (t *tally) add(o *tally) {
	t.faults += o.faults
	t.shown += o.shown
	t.found += o.found
	t.inTime += o.inTime
	t.unseen += o.unseen
	t.wrong += o.wrong
	t.second += o.second
	t.open += o.open
	t.delays = append(t.delays, o.delays...)
}

// quantile returns the q-th quantile of delays by nearest rank; they are
// sorted. ok is false where there is none.
func quantile(delays []time.Duration, q float64) (d time.Duration, ok bool) {
	if len(delays) == 0 {
		return 0, false
	}
	rank := int(q*float64(len(delays)) + 0.999999)
	return delays[min(max(rank, 1), len(delays))-1], true
}

// print writes the table for the conditions asked for (all where there are
// none), the totals and the definitions.
func (s *score) print(out io.Writer, only []condition.Name) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "condition\tfaults\tshown\tin time\trecall %\tlate\tunshown found\tfalse alarms\tsecond\tleft standing\tmedian\tp95\t")
	var total tally
	for _, d := range condition.Catalogue() {
		t := s.of(d.Name)
		if len(only) > 0 && !slices.Contains(only, d.Name) {
			continue
		}
		if !d.Judged {
			fmt.Fprintf(w, "%s\t%d\t%s\tnot judged by this version\t\t\t\t\t\t\t\t\n", d.Name, t.faults, "")
			continue
		}
		total.add(t)
		t.line(w, string(d.Name))
	}
	total.line(w, "all judged")
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(out, s.rates()+definitions)
	return err
}

func (t *tally) line(w io.Writer, name string) {
	delays := slices.Sorted(slices.Values(t.delays))
	median, _ := quantile(delays, 0.5)
	p95, any := quantile(delays, 0.95)
	times := [2]string{"-", "-"}
	if any {
		times = [2]string{span(median), span(p95)}
	}
	fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%s\t%d\t%d\t%d\t%d\t%d\t%s\t%s\t\n", name, t.faults, t.shown, t.inTime,
		percent(t.inTime, t.shown), t.found-t.inTime-t.unseen, t.unseen, t.wrong, t.second, t.open, times[0], times[1])
}

// rates is the line of totals.
func (s *score) rates() string {
	var b strings.Builder
	days := s.fanTime.Hours() / 24
	fmt.Fprintf(&b, "\n%d runs, %.0f fan-days, %d readings; %d samples without a fault, of which %d had a false alarm (%s %%); ",
		s.runs, days, s.readings, s.healthy, s.healthyAlarmed, percent(s.healthyAlarmed, s.healthy))
	fmt.Fprintf(&b, "%d with one, of which %d were misdiagnosed (%s %%)\n", s.faulty, s.misdiagnosed, percent(s.misdiagnosed, s.faulty))
	return b.String()
}

const definitions = `
A fault is one trouble given to one fan or gateway, from its onset to its end; a sample is one fan or gateway for one run.
Shown: the readings, looked at afterwards, carry the condition for as long as its limit or its evidence needs. In time: raised
within the limit from when it first showed (pinned_at_max 30 min, stuck_idle 60 min, inverted_sign 15 min from a start, 20 from
a swap, 30 where only the map is wrong; what is not heard: hold and two polls). Recall: in time of shown. Late: shown, raised after the limit. Unshown
found: raised, though by these measures it did not have to be. False alarm: raised without a fault, before its onset or long
after its end. Second: raised beside the fault's own condition and not a true consequence of it. Left standing: still raised
two hours after the fault had ended. Delay: from first shown to raised.
`

func percent(part, whole int) string {
	if whole == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*float64(part)/float64(whole))
}

// span writes a delay as minutes and seconds.
func span(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -d
	}
	return fmt.Sprintf("%s%d:%02d", sign, int(d.Minutes()), int(d.Seconds())%60)
}
