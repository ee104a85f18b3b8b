package turnover

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// RecordFormat is the version of the records that this program writes.
const RecordFormat = 1

// How a proof was made.
const (
	Passive   = "passive"  // the fan was looked at only
	Exercised = "exercise" // it was forced through steps of speed
)

// Record is what is kept of the turnover of one fan. Values are in base units,
// times in UTC; texts are in the units of the site.
type Record struct {
	Format   int                       `json:"format"`
	Site     string                    `json:"site"`
	Building Named                     `json:"building"`
	Fan      FanRecord                 `json:"fan"`
	Gateway  GatewayRecord             `json:"gateway"`
	Units    string                    `json:"units"` // of the texts: imperial or metric
	Program  string                    `json:"program"`
	Who      string                    `json:"who"`
	Witness  string                    `json:"witness"` // "": to be signed on paper
	Began    time.Time                 `json:"began"`
	Ended    time.Time                 `json:"ended"`
	Mode     string                    `json:"mode"` // Passive or Exercised
	Points   []PointRecord             `json:"points"`
	Seen     []Seen                    `json:"seen"`
	Course   *CourseRecord             `json:"course,omitempty"` // of an exercise
	ReadBack map[reading.Point]float64 `json:"settings"`         // that did not fail
	RetestOf *Retest                   `json:"retest_of,omitempty"`
	// Instruments are those that readings were compared with; on paper where none is
	// named. ByHand are the proofs that are left to people.
	Instruments []Instrument `json:"instruments,omitempty"`
	ByHand      []Task       `json:"by_hand,omitempty"`
	Cautions    []string     `json:"cautions,omitempty"`
	SHA256      string       `json:"sha256"` // of the canonical JSON with this left empty; see Seal
}

// Named is a thing with an id and a name.
type Named struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// FanRecord is what the fleet file says of a fan.
type FanRecord struct {
	Named
	Serves     string `json:"serves,omitempty"`
	Location   string `json:"location,omitempty"`
	Duty       string `json:"duty"`
	LifeSafety bool   `json:"life_safety"`
	Unit       int    `json:"unit"`
	PointMap   string `json:"pointmap"`
	Controls   string `json:"controls"`        // pressure or airflow
	Probe      string `json:"probe,omitempty"` // suction or discharge; "" for airflow
}

// GatewayRecord is the gateway that a fan was read through.
type GatewayRecord struct {
	ID  string `json:"id"`
	URL string `json:"url"`
}

// PointRecord is what is kept of one point.
type PointRecord struct {
	Point     reading.Point `json:"point"`
	Table     string        `json:"table,omitempty"`
	Address   *int          `json:"address,omitempty"`  // on the wire, from 0
	Register  string        `json:"register,omitempty"` // as manuals number it
	Unit      int           `json:"unit"`               // Modbus unit, or BACnet device
	Type      string        `json:"type"`
	Order     string        `json:"order,omitempty"` // of a 32-bit value
	Bit       *int          `json:"bit,omitempty"`   // of a word
	Scale     float64       `json:"scale"`
	Offset    float64       `json:"offset"`
	In        string        `json:"in,omitempty"` // the unit of scale and offset
	Sign      string        `json:"sign"`         // as_read, or turned by a negative scale or by invert
	Expected  *float64      `json:"expected,omitempty"`
	Tolerance *float64      `json:"tolerance,omitempty"`
	Raw       string        `json:"raw"`             // the words read last, in hex
	Value     *float64      `json:"value,omitempty"` // absent where the words mean none
	// The same for people.
	ExpectedText  string    `json:"expected_text,omitempty"`
	ToleranceText string    `json:"tolerance_text,omitempty"`
	ValueText     string    `json:"value_text,omitempty"`
	Object        *Said     `json:"object,omitempty"` // of a BACnet point, instead of table, address and register
	Verdict       Verdict   `json:"verdict"`
	Reason        string    `json:"reason"`
	Looks         int       `json:"looks"`
	Answered      int       `json:"answered"`
	First         time.Time `json:"first"`
	Last          time.Time `json:"last"`
}

// Said is a BACnet object, with what it said of its value last.
type Said struct {
	Object   string   `json:"object"`             // as in analog-input,3, with the property where it is not the present value
	Flags    string   `json:"flags"`              // flags and reliability
	Unit     string   `json:"unit,omitempty"`     // that it stated
	Polarity string   `json:"polarity,omitempty"` // normal, or reverse: the device has turned the value already
	States   []uint32 `json:"states,omitempty"`   // that count as closed
}

// CourseRecord is the course of an exercise.
type CourseRecord struct {
	Marks    []MarkRecord  `json:"marks"`
	Trend    []TrendRecord `json:"trend"`             // thinned to at most trendAtMost
	Stopped  string        `json:"stopped,omitempty"` // why the steps were not all taken
	Released bool          `json:"released"`
}

// MarkRecord is when a speed was forced, or released where Speed is absent.
type MarkRecord struct {
	Time  time.Time `json:"time"`
	Speed *float64  `json:"speed,omitempty"`
}

// TrendRecord is one look of an exercise; what had no good value is absent.
type TrendRecord struct {
	Time    time.Time `json:"time"`
	Forced  *float64  `json:"forced,omitempty"`
	Speed   *float64  `json:"speed,omitempty"`
	Value   *float64  `json:"value,omitempty"` // controlled value
	Contact *float64  `json:"contact,omitempty"`
}

// Made says how, when and by whom a fan was proven.
type Made struct {
	Program      string // name and version
	Who, Witness string
	Instruments  []Instrument
	Began, Ended time.Time
	Course       *Course // of an exercise; nil: the fan was looked at only
	// First is the first record of the fan that is kept; nil where this is it.
	First json.RawMessage
}

// trendAtMost is how many looks of an exercise are kept.
const trendAtMost = 600

// New makes the record of a proven fan, and seals it. Of an exercise it judges the
// course, and adds what that says to what was seen.
func New(fleet *config.Fleet, proven *Fan, made Made) *Record {
	f := proven.Fan
	t := newTrace(f, fleet.Units, nil)
	r := &Record{
		Format: RecordFormat, Site: fleet.Name, Fan: fanRecord(f), Units: fleet.Units.String(),
		Building: Named{string(f.Building.ID), f.Building.Name}, Gateway: GatewayRecord{string(f.Gateway.ID), f.Gateway.URL},
		Program: made.Program, Who: made.Who, Witness: made.Witness, Instruments: made.Instruments, ByHand: tasks(t), Cautions: cautions, Began: instant(made.Began), Ended: instant(made.Ended), Mode: Passive,
		Seen: append([]Seen{}, proven.Seen...), Points: []PointRecord{}, ReadBack: map[reading.Point]float64{},
	}
	for i := range proven.Proofs {
		p := pointRecord(t, &proven.Proofs[i])
		r.Points = append(r.Points, p)
		if setting := p.Point >= reading.MinSpeed && p.Point <= reading.HighSpeedDelay; setting && p.Value != nil && p.Verdict != Fail {
			r.ReadBack[p.Point] = *p.Value
		}
	}
	if made.Course != nil {
		r.Mode, r.Course = Exercised, courseRecord(newTrace(f, fleet.Units, made.Course.Looks), made.Course)
		r.Seen = append(r.Seen, Judge(fleet, f, made.Course)...)
	}
	if made.First != nil {
		r.RetestOf = retestOf(made.First, r)
	}
	r.Seal()
	return r
}

func fanRecord(f *config.Fan) FanRecord {
	r := FanRecord{Named: Named{string(f.ID), f.Name}, Serves: f.Serves, Location: f.Location, Duty: string(f.Duty),
		LifeSafety: f.LifeSafety, Unit: f.Unit, Controls: f.Controlled().String(), Probe: f.ProbeSide()}
	if f.PointMap != nil {
		r.PointMap = f.PointMap.Name
	}
	return r
}

func pointRecord(t *trace, p *Proof) PointRecord {
	at, e := p.Place, p.Place.Encoding
	r := PointRecord{Point: at.Point, Unit: at.Unit, Type: e.Type.String(), Scale: e.Scale, Offset: e.Offset, In: e.Unit.Name, Sign: "as_read", Raw: Hex(p.Raw),
		Verdict: p.Verdict, Reason: p.Reason, Looks: p.Looks, Answered: p.Answered, First: instant(p.First), Last: instant(p.Last)}
	if at.BACnet() {
		r.Object, r.Type = objectRecord(p), objectType(p)
	} else {
		r.register(at)
	}
	if e.Invert || e.Scale < 0 {
		r.Sign = "turned"
	}
	if p.Known {
		r.Value, r.ValueText = finite(p.Value), t.write(at.Point, p.Value)
	}
	if p.Expected != nil {
		r.Expected, r.ExpectedText = finite(*p.Expected), t.write(at.Point, *p.Expected)
		r.Tolerance, r.ToleranceText = finite(p.Tolerance), t.within(at.Point, p.Tolerance)
	}
	return r
}

// register says where a Modbus point lies.
func (r *PointRecord) register(at config.PlacedPoint) {
	r.Table, r.Address, r.Register = at.Table.String(), &at.Address, at.Register()
	if at.Words() > 1 {
		r.Order = at.Encoding.Order.String()
	}
	if bit := at.Encoding.Bit; bit != decode.NoBit && !at.Table.Bits() {
		r.Bit = &bit
	}
}

// within writes a tolerance. One that is finer than what is written of values is one
// of their last digit.
func (t *trace) within(p reading.Point, tolerance float64) string {
	if text := t.write(p, tolerance); tolerance == 0 || text != t.write(p, 0) {
		return text
	}
	return "the last digit"
}

func courseRecord(t *trace, c *Course) *CourseRecord {
	r := &CourseRecord{Marks: []MarkRecord{}, Trend: []TrendRecord{}, Stopped: c.Stopped, Released: c.Released}
	for _, m := range c.Marks {
		r.Marks = append(r.Marks, MarkRecord{instant(m.Time), finite(m.Speed)})
	}
	s := &stretches{t: t, course: c}
	every := (len(c.Looks) + trendAtMost - 1) / trendAtMost
	for k := 0; k < len(c.Looks); k += every {
		r.Trend = append(r.Trend, TrendRecord{Time: instant(c.Looks[k].Time), Forced: finite(s.forcedAt(k)), Speed: finite(t.at(reading.Speed, k)),
			Value: finite(t.at(t.fan.Controlled(), k)), Contact: finite(t.at(reading.HighSpeed, k))})
	}
	return r
}

// finite keeps a number that JSON can hold; others are absent.
func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// instant is a time as records keep it: UTC, to the millisecond.
func instant(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }

// Seal sets the hash over the record as it stands. What JSON cannot hold (bytes
// that are no text) is replaced first, so that the record reads back the same.
func (r *Record) Seal() {
	var plain Record
	if data, err := json.Marshal(r); err == nil && json.Unmarshal(data, &plain) == nil {
		*r = plain
	}
	r.SHA256 = r.hash()
}

// Verify reports whether the record is as it was sealed.
func (r *Record) Verify() error {
	if r.SHA256 == "" {
		return errors.New("the record is not sealed: it has no hash")
	}
	if is := r.hash(); is != r.SHA256 {
		return fmt.Errorf("the record of %s was changed since it was sealed: its hash is %s and it says %s", r.Fan.ID, is, r.SHA256)
	}
	return nil
}

// hash is the SHA-256 of the canonical JSON: no white space, fields in the order
// of Record, keys of maps sorted, the hash empty.
func (r *Record) hash() string {
	bare := *r
	bare.SHA256 = ""
	data, err := json.Marshal(bare)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// ReadRecord reads a record from its JSON and verifies it. Nothing but white space
// may differ from what was sealed.
func ReadRecord(data []byte) (*Record, error) {
	r, err := Recall(data)
	if err != nil {
		return nil, err
	}
	return r, nil
}

// Recall reads a record from its JSON also where it is not as it was sealed, to
// show what there is: then the error says why it cannot be relied on. There is no
// record where it cannot be read at all.
func Recall(data []byte) (*Record, error) {
	r := &Record{}
	if err := json.Unmarshal(data, r); err != nil {
		return nil, fmt.Errorf("this is no record of a turnover: %w", err)
	}
	if r.Format != RecordFormat {
		return r, fmt.Errorf("the record has format %d, and this program reads format %d", r.Format, RecordFormat)
	}
	if err := r.Verify(); err != nil {
		return r, err
	}
	var is bytes.Buffer
	if err := json.Compact(&is, data); err != nil {
		return r, err
	}
	if want, err := json.Marshal(r); err != nil || !bytes.Equal(is.Bytes(), want) {
		return r, fmt.Errorf("the record of %s was changed since it was sealed: it is not written as it was", r.Fan.ID)
	}
	return r, nil
}

// Verdict is the worst of the record's verdicts.
func (r *Record) Verdict() Verdict {
	worst := NotApplicable
	for i := range r.Points {
		worst = max(worst, r.Points[i].Verdict)
	}
	for _, s := range r.Seen {
		worst = max(worst, s.Verdict)
	}
	return worst
}

// Baseline is what the controller was set to, as it read back at turnover.
func (r *Record) Baseline() condition.Baseline {
	return condition.Baseline{Time: r.Ended, Settings: r.ReadBack}
}
