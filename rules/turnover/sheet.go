package turnover

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"strings"
	"time"
)

//go:embed sheet.html
var sheetHTML string

// sheetTemplate is the sheet as the file has it. Every text is escaped by its place.
var sheetTemplate = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"words": func(v Verdict) string { return strings.ReplaceAll(v.String(), "_", " ") },
	"tied":  func(text string) string { return strings.ReplaceAll(text, "_", " ") },
	"sign":  func(sign string) string { return strings.ReplaceAll("sign "+sign, "_", " ") },
}).Parse(sheetHTML))

// SheetPolicy is the Content-Security-Policy of a sheet: it has one style, which is
// known by its hash, and nothing else.
var SheetPolicy = func() string {
	_, style, _ := strings.Cut(sheetHTML, "<style>")
	style, _, _ = strings.Cut(style, "</style>")
	sum := sha256.Sum256([]byte(style))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'"
}()

// Sheet is a page to print and to sign: a cover with what was found, where there
// are several records, and a section for each of them in their order. The page
// stands alone: it has no script and asks no host for anything. A record that is
// not as it was sealed is said to be so.
type Sheet struct {
	Records []*Record
	Zone    *time.Location // of the times; nil: UTC
	Links   []Link         // that lead elsewhere, on a screen
	// Without are the fans of which there is no record.
	Without []Named
	// Doubts are what Recall found wrong with records.
	Doubts map[*Record]error
}

// Link leads to a path of the site.
type Link struct{ Path, Text string }

// sheetView is what the sheet shows.
type sheetView struct {
	Policy   string
	Links    []Link
	Only     bool // there is one record
	Mixed    bool // they are of several buildings
	Site     string
	Title    string // the buildings, or the only fan
	Programs string
	From, To string
	Counts   []countView
	Cautions []string
	Fans     []sheetFan
	Without  []Named
	zone     *time.Location
	hashes   map[string]bool
}

type countView struct {
	Verdict Verdict
	Fans    int
	Points  int
}

// sheetFan is the section of one record.
type sheetFan struct {
	*Record
	Doubt        string // why it cannot be relied on
	Worst        Verdict
	Counts       [Fail + 1]int // of points, by verdict
	Began, Ended string
	Again        string // the hash of the record in this sheet that is a retest of this
	Trend        *trendView
	Tools        []toolView
	Signers      []signerView
}

// toolView is a line for an instrument, blank where none was named.
type toolView struct {
	Letter string
	Instrument
}

type signerView struct{ Letter, Name string }

// Write writes the page.
func (s *Sheet) Write(w io.Writer) error {
	var page strings.Builder
	if err := sheetTemplate.Execute(&page, s.view()); err != nil {
		return err
	}
	lines := strings.Split(page.String(), "\n")
	for i := range lines {
		lines[i] = clean(lines[i])
	}
	_, err := io.WriteString(w, strings.Join(lines, "\n"))
	return err
}

func (s *Sheet) view() *sheetView {
	v := &sheetView{Policy: SheetPolicy, Links: s.Links, Without: s.Without, Only: len(s.Records) == 1 && len(s.Without) == 0, zone: s.Zone, hashes: make(map[string]bool)}
	if v.zone == nil {
		v.zone = time.UTC
	}
	counts := [Fail + 1]countView{}
	var titles, programs []string
	var from, to time.Time
	for _, r := range s.Records {
		v.Site, v.hashes[r.SHA256] = r.Site, true
		titles, programs = addNew(titles, r.Building.Name), addNew(programs, r.Program)
		for _, caution := range r.Cautions {
			v.Cautions = addNew(v.Cautions, caution)
		}
		if from.IsZero() || r.Began.Before(from) {
			from = r.Began
		}
		if r.Ended.After(to) {
			to = r.Ended
		}
		f := s.fan(r, v.zone)
		counts[f.Worst].Fans++
		for verdict, n := range f.Counts {
			counts[verdict].Points += n
		}
		v.Fans = append(v.Fans, f)
	}
	for verdict := range counts {
		counts[verdict].Verdict = Verdict(verdict)
		v.Counts = append([]countView{counts[verdict]}, v.Counts...)
	}
	if v.Mixed = len(titles) > 1; v.Only {
		titles = []string{s.Records[0].Fan.Name + ", " + titles[0]}
	}
	if len(v.Cautions) == 0 {
		v.Cautions = cautions
	}
	v.Title, v.Programs, v.From, v.To = strings.Join(titles, ", "), strings.Join(programs, ", "), v.Time(from), v.Time(to)
	return v
}

func (s *Sheet) fan(r *Record, zone *time.Location) sheetFan {
	f := sheetFan{Record: r, Worst: r.Verdict(), Began: when(r.Began, zone), Ended: when(r.Ended, zone), Trend: newTrend(r, zone), Tools: r.tools(),
		Signers: []signerView{{"Integrator", r.Who}, {"Owner", ""}, {"Witness", r.Witness}}}
	if err := r.Verify(); err != nil {
		f.Doubt = sentence(err)
	} else if doubt := s.Doubts[r]; doubt != nil {
		f.Doubt = sentence(doubt)
	}
	for i := range r.Points {
		f.Counts[r.Points[i].Verdict]++
	}
	for _, other := range s.Records {
		if other.RetestOf != nil && other.RetestOf.SHA256 == r.SHA256 {
			f.Again = other.SHA256
		}
	}
	return f
}

// tools are lines for the instruments, one more than are named and two at least.
func (r *Record) tools() []toolView {
	all := make([]toolView, max(2, len(r.Instruments)+1))
	for i := range all {
		all[i].Letter = string(rune('A' + i%26))
		if i < len(r.Instruments) {
			all[i].Instrument = r.Instruments[i]
		}
	}
	return all
}

// Has reports whether a record is in the sheet.
func (v *sheetView) Has(hash string) bool { return v.hashes[hash] }

// Time writes a time for people.
func (v *sheetView) Time(t time.Time) string { return when(t, v.zone) }

func when(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "at a time that is not known"
	}
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}

// sentence makes one of an error.
func sentence(err error) string {
	text := err.Error()
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// Word says what has become of it.
func (s Since) Word() string {
	switch {
	case s.Mended():
		return "mended"
	case s.Still():
		return "fails still"
	case s.Fresh():
		return "fails now only"
	case s.Is == nil:
		return "not proven now"
	case s.Was == nil:
		return "new"
	case *s.Is == Pass:
		return "passes now"
	case *s.Is == NotSeen:
		return "not seen now"
	}
	return "does not apply now"
}

func addNew(names []string, name string) []string {
	for _, n := range names {
		if n == name {
			return names
		}
	}
	return append(names, name)
}
