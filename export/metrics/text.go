package metrics

import (
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// texts writes the series of fans as lines of text (Prometheus exposition
// format 0.0.4), without a message for each of them: of ten thousand fans that
// took 60 MB that were kept, and most of the time of a scrape. What a fan's
// labels are in the text is made once.
type texts struct {
	fans       []fanText
	modes      [condition.Modes]string
	severities [condition.Page + 1]string
}

// fanText are labels of one fan as they stand in the text.
type fanText struct {
	own  string // its building and itself
	info string // and what the fleet file says of it
	// The verdicts': before the condition, and between it and the severity.
	before, between string
}

func newTexts(fleet *config.Fleet) *texts {
	t := &texts{fans: make([]fanText, len(fleet.Fans))}
	for i, f := range fleet.Fans {
		building, fan, gateway := pair("building", string(f.Building.ID)), pair("fan", string(f.ID)), pair("gateway", string(f.Gateway.ID))
		t.fans[i] = fanText{
			own:     labelText(building, fan),
			info:    labelText(sorted(append(described(f), building, fan)...)...),
			before:  labelText(building) + `,condition="`,
			between: `",` + labelText(fan, gateway) + `,severity="`,
		}
	}
	for mode := range t.modes {
		t.modes[mode] = "," + labelText(pair("mode", condition.Mode(mode).String())) + "} "
	}
	for severity := range t.severities {
		t.severities[severity] = condition.Severity(severity).String() + `"} `
	}
	return t
}

// escaped are the characters that a label's value cannot hold as they are.
var escaped = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

func labelText(labels ...*dto.LabelPair) string {
	var b strings.Builder
	for i, l := range labels {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(l.GetName() + `="` + escaped.Replace(l.GetValue()) + `"`)
	}
	return b.String()
}

// lines is the text on its way.
type lines struct {
	out   io.Writer
	text  []byte
	begun bool // the family has its head
	err   error
}

// chunk is how much text is handed on at a time.
const chunk = 64 << 10

// head begins a family, unless it has begun.
func (w *lines) head(f family) {
	if !w.begun {
		w.text = append(append(append(append(w.text, "# HELP "...), families[f].name...), ' '), families[f].help...)
		w.text = append(append(append(w.text, "\n# TYPE "...), families[f].name...), " gauge\n"...)
		w.begun = true
	}
}

// series begins a line; its value follows.
func (w *lines) series(f family, labels string) {
	w.head(f)
	w.text = append(append(append(w.text, families[f].name...), '{'), labels...)
}

// value ends a line, as expfmt writes numbers.
func (w *lines) value(v float64) {
	switch {
	case v == 0:
		w.text = append(w.text, '0')
	case v == 1:
		w.text = append(w.text, '1')
	case math.IsNaN(v):
		w.text = append(w.text, "NaN"...)
	default:
		w.text = strconv.AppendFloat(w.text, v, 'g', -1, 64)
	}
	w.text = append(w.text, '\n')
	if len(w.text) >= chunk {
		w.flush()
	}
}

func (w *lines) flag(on bool) {
	if on {
		w.value(1)
	} else {
		w.value(0)
	}
}

func (w *lines) flush() {
	if w.err == nil {
		_, w.err = w.out.Write(w.text)
	}
	w.text = w.text[:0]
}

// Text writes the families to out as text, in the order of their names. It
// writes what the text of Gather's families would be. The error is out's.
func (g *Gatherer) Text(out io.Writer) error {
	g.scrape.Lock()
	defer g.scrape.Unlock()
	s := g.snapshot()
	if s == nil {
		return nil
	}
	l := g.lay(s)
	if l.texts == nil {
		l.texts = newTexts(s.Fleet)
	}
	now := g.now()
	l.fillFew(s, now)
	w := &lines{out: out, text: g.text}
	for f := range family(familyCount) {
		w.begun = false
		if few := &l.families[f]; len(few.Metric) > 0 {
			w.flush()
			if w.err == nil {
				_, w.err = expfmt.MetricFamilyToText(out, few)
			}
			w.begun = true
		}
		l.texts.family(w, f, s, now)
	}
	w.flush()
	g.text = w.text
	return w.err
}

// family writes the series of fans in one family.
func (t *texts) family(w *lines, f family, s *export.Snapshot, now time.Time) {
	one := t.writer(f)
	if one == nil {
		return
	}
	for i, fan := range s.Fans {
		one(w, f, &t.fans[i], fan, now)
	}
}

// writer returns what writes the series of a fan in a family; nil where fans
// have none.
func (t *texts) writer(f family) func(*lines, family, *fanText, *export.Fan, time.Time) {
	switch f {
	case pressure:
		return fresh(reading.Pressure)
	case airflow:
		return fresh(reading.Airflow)
	case speed:
		return fresh(reading.Speed)
	case setpointFlow, setpointPressure:
		return writeSetpoint
	case highSpeedContact:
		return writeContact
	case readingAt:
		return writeReadingAt
	case fanUp:
		return writeUp
	case fanInfo:
		return func(w *lines, f family, t *fanText, _ *export.Fan, _ time.Time) {
			w.series(f, t.info)
			w.end(1)
		}
	case fanMode:
		return t.writeModes
	case conditionActive:
		return t.writeVerdicts
	}
	return nil
}

// end closes the labels and ends the line.
func (w *lines) end(v float64) {
	w.text = append(w.text, "} "...)
	w.value(v)
}

func fresh(p reading.Point) func(*lines, family, *fanText, *export.Fan, time.Time) {
	return func(w *lines, f family, t *fanText, fan *export.Fan, now time.Time) {
		if v, ok := fan.Fresh(p, now); ok {
			w.series(f, t.own)
			w.end(v)
		}
	}
}

func writeSetpoint(w *lines, f family, t *fanText, fan *export.Fan, now time.Time) {
	if fan.Fan.ControlsAirflow != (f == setpointFlow) {
		return
	}
	if v, ok := fan.Setpoint(now); ok {
		w.series(f, t.own)
		w.end(v)
	}
}

func writeContact(w *lines, f family, t *fanText, fan *export.Fan, now time.Time) {
	if closed, ok := fan.Fresh(reading.HighSpeed, now); ok {
		w.series(f, t.own)
		w.text = append(w.text, "} "...)
		w.flag(closed != 0)
	}
}

func writeReadingAt(w *lines, f family, t *fanText, fan *export.Fan, _ time.Time) {
	if !fan.LastGood.IsZero() {
		w.series(f, t.own)
		w.end(float64(fan.LastGood.UnixMilli()) / 1000)
	}
}

func writeUp(w *lines, f family, t *fanText, fan *export.Fan, now time.Time) {
	if !fan.Polled.IsZero() { // before the first poll it is neither up nor down
		w.series(f, t.own)
		w.text = append(w.text, "} "...)
		w.flag(fan.Up(now))
	}
}

func (t *texts) writeModes(w *lines, f family, own *fanText, fan *export.Fan, now time.Time) {
	current := int(fan.ModeAt(now))
	for mode, label := range t.modes {
		w.series(f, own.own)
		w.text = append(w.text, label...)
		w.flag(mode == current)
	}
}

func (t *texts) writeVerdicts(w *lines, f family, own *fanText, fan *export.Fan, _ time.Time) {
	for i := range fan.Verdicts {
		v := &fan.Verdicts[i]
		if v.State == condition.CannotJudge {
			continue
		}
		w.series(f, own.before)
		w.text = append(append(append(w.text, v.Condition...), own.between...), t.severities[v.Severity]...)
		w.flag(v.State == condition.Present)
	}
}
