package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"fanwarden/rules/condition"
)

// tally is the score of one condition.
type tally struct {
	faults   int // that ought to raise it
	shown    int // of these, whose readings ever showed it
	found    int // of all, raised while the fault was on
	inTime   int // of the shown, raised within the limit
	unseen   int // of those that never showed, raised all the same: found before it was due
	wrong    int // raised on samples without a fault
	literal  int // of these, what is literally so
	second   int // raised on samples with another fault
	truly    int // of these, true consequences of it
	silenced int // raised beside another fault, until that was found and silenced it
	open     int // still raised two hours after the fault had ended
	delays   []time.Duration
}

func (t *tally) add(o *tally) {
	t.faults += o.faults
	t.shown += o.shown
	t.found += o.found
	t.inTime += o.inTime
	t.unseen += o.unseen
	t.wrong += o.wrong
	t.literal += o.literal
	t.second += o.second
	t.truly += o.truly
	t.silenced += o.silenced
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

// print writes the table of the rules for the conditions asked for, the rules
// beside the baseline, the totals and the definitions.
func (b both) print(out io.Writer) error {
	return errors.Join(b.rules.table(out), b.beside(out), b.rates(out))
}

// table is the table of the rules.
func (s *score) table(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "condition\tfaults\tshown\tin time\trecall %\tlate\tunshown found\tfalse alarms\tso\tsecond\ttrue\tsilenced\tleft standing\tmedian\tp95\t")
	var total tally
	for _, d := range condition.Catalogue() {
		t := s.of(d.Name)
		if s.asked(d.Name) {
			total.add(t)
			t.line(w, string(d.Name))
		}
	}
	total.line(w, "all")
	return w.Flush()
}

func (t *tally) line(w io.Writer, name string) {
	fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%s\t%s\t\n", name, t.faults, t.shown, t.inTime,
		percent(t.inTime, t.shown), t.found-t.inTime-t.unseen, t.unseen, t.wrong, t.literal, t.second, t.truly, t.silenced, t.open,
		t.delay(0.5), t.delay(0.95))
}

// delay writes a quantile of the delays.
func (t *tally) delay(q float64) string {
	d, any := quantile(slices.Sorted(slices.Values(t.delays)), q)
	if !any {
		return "-"
	}
	return span(d)
}

// beside is the rules beside the baseline.
func (b both) beside(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "\nrules, then held thresholds\tshown\trecall %\tfalse\tsecond\tuntrue\tmedian\t|\trecall %\tfalse\tsecond\tuntrue\tmedian\t")
	var rules, plain tally
	for _, d := range condition.Catalogue() {
		r, p := b.rules.of(d.Name), b.plain.of(d.Name)
		if b.rules.asked(d.Name) {
			rules.add(r)
			plain.add(p)
			fmt.Fprintf(w, "%s\t%d\t%s\t|\t%s\t\n", d.Name, r.shown, r.short(), p.short())
		}
	}
	fmt.Fprintf(w, "all\t%d\t%s\t|\t%s\t\n", rules.shown, rules.short(), plain.short())
	return w.Flush()
}

func (t *tally) short() string {
	return fmt.Sprintf("%s\t%d\t%d\t%d\t%s", percent(t.inTime, t.shown), t.wrong, t.second, t.second-t.truly, t.delay(0.5))
}

// rates is the line of totals and the definitions.
func (b both) rates(out io.Writer) error {
	s := b.rules
	_, err := fmt.Fprintf(out, "\n%d runs, %.0f fan-days, %d readings\n%s%s%s", s.runs, s.fanTime.Hours()/24, s.readings,
		s.samples("rules"), b.plain.samples("held thresholds"), definitions)
	return err
}

// samples says how many samples were judged wrongly.
func (s *score) samples(who string) string {
	return fmt.Sprintf("%s: %d samples without a fault, of which %d had a false alarm (%s %%); "+
		"%d with one, of which %d had a second condition (%s %%), %d an untrue one\n", who,
		s.healthy, s.healthyAlarmed, percent(s.healthyAlarmed, s.healthy), s.faulty, s.misdiagnosed,
		percent(s.misdiagnosed, s.faulty), s.untruly)
}

const definitions = `
A fault is one trouble given to one fan or gateway, from its onset to its end; a sample is one fan or gateway for one run.
Shown: the readings, looked at afterwards, carry the condition for as long as its limit or its evidence needs. In time: raised
within the limit from when it first showed: pinned_at_max 30 min, stuck_idle 60 min, inverted_sign 15 min from a start, 20 from
a swap, 30 where only the map is wrong; hunting 30 after 20 min of swings; contact_disagrees when 20 min of it have added up;
no_effect 20 after ten minutes of command; sensor_frozen 60 after the speed has moved 15 points; sensor_out_of_range 10;
off_setpoint 60 after 45 min; short_cycling 60 after the sixth start of an hour; settings_changed 30; override_left_on what is
allowed and a minute; pinned_at_min its hold and 5 min; data_not_moving when 30 min of repeats that are wrong have added up;
creeping_load three weeks; what is not heard or reported: hold and two polls. Recall: in time of shown. Late: shown, raised
after the limit. Unshown found: raised, though by these measures it did not have to be. False alarm: raised without a fault,
before its onset or long after its end; so: of these, what is literally so on the readings (pinned_at_min,
sensor_out_of_range). Second: raised beside the fault's own condition, once a sample; true: of these, true consequences of the fault;
untrue: the others. Silenced: raised beside it and silenced once the cause was found; not among
the second. Told once: the shortage of a riser counts for each of its fans that have the fault. Left standing: still raised two
hours after the fault had ended. Delay: from first shown to raised.
`

func percent(part, whole int) string {
	if whole == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*float64(part)/float64(whole))
}

// span writes a delay as minutes and seconds, or as days from two on.
func span(d time.Duration) string {
	sign := ""
	if d >= 48*time.Hour {
		return fmt.Sprintf("%.1f d", d.Hours()/24)
	}
	if d < 0 {
		sign, d = "-", -d
	}
	return fmt.Sprintf("%s%d:%02d", sign, int(d.Minutes()), int(d.Seconds())%60)
}
