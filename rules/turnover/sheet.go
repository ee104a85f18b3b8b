package turnover

import (
	_ "embed"
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
}).Parse(sheetHTML))

// sheetView is what the sheet shows.
type sheetView struct {
	Site     string
	Title    string // the buildings
	Programs string
	From, To string
	Counts   []countView
	Fans     []sheetFan
}

type countView struct {
	Verdict Verdict
	Fans    int
	Points  int
}

// sheetFan is the section of one record.
type sheetFan struct {
	*Record
	Worst        Verdict
	Counts       [Fail + 1]int // of points, by verdict
	Began, Ended string
	First        string // when the record was made that this is a retest of
	FirstHere    bool   // and that it is in this sheet
	Again        string // the hash of the record in this sheet that is a retest of this
	Trend        *trendView
	Names        []string // of those who sign
}

var signers = []string{"Integrator", "Owner", "Witness"}

// WriteSheet writes a page to print for one record or several: a cover with what
// was found, and a section for each in their order. Times are in a zone; nil: UTC.
// The page stands alone: it has no script and asks no host for anything.
func WriteSheet(w io.Writer, zone *time.Location, records ...*Record) error {
	if zone == nil {
		zone = time.UTC
	}
	var page strings.Builder
	if err := sheetTemplate.Execute(&page, newSheet(zone, records)); err != nil {
		return err
	}
	lines := strings.Split(page.String(), "\n")
	for i := range lines {
		lines[i] = clean(lines[i])
	}
	_, err := io.WriteString(w, strings.Join(lines, "\n"))
	return err
}

func newSheet(zone *time.Location, records []*Record) *sheetView {
	v := &sheetView{}
	counts := [Fail + 1]countView{}
	var buildings, programs []string
	var from, to time.Time
	for _, r := range records {
		v.Site = r.Site
		buildings, programs = addNew(buildings, r.Building.Name), addNew(programs, r.Program)
		if from.IsZero() || r.Began.Before(from) {
			from = r.Began
		}
		if r.Ended.After(to) {
			to = r.Ended
		}
		f := newSheetFan(zone, r, records)
		counts[f.Worst].Fans++
		for verdict, n := range f.Counts {
			counts[verdict].Points += n
		}
		v.Fans = append(v.Fans, f)
	}
	for verdict := Fail; ; verdict-- {
		counts[verdict].Verdict = verdict
		v.Counts = append(v.Counts, counts[verdict])
		if verdict == NotApplicable {
			break
		}
	}
	v.Title, v.Programs, v.From, v.To = strings.Join(buildings, ", "), strings.Join(programs, ", "), when(from, zone), when(to, zone)
	return v
}

func newSheetFan(zone *time.Location, r *Record, all []*Record) sheetFan {
	f := sheetFan{Record: r, Worst: r.Verdict(), Began: when(r.Began, zone), Ended: when(r.Ended, zone), Trend: newTrend(r, zone), Names: signers}
	for i := range r.Points {
		f.Counts[r.Points[i].Verdict]++
	}
	if r.RetestOf != nil {
		f.First = when(r.RetestOf.Time, zone)
	}
	for _, other := range all {
		if r.RetestOf != nil && other.SHA256 == r.RetestOf.SHA256 {
			f.FirstHere = true
		}
		if other.RetestOf != nil && other.RetestOf.SHA256 == r.SHA256 {
			f.Again = other.SHA256
		}
	}
	return f
}

// when writes a time for people.
func when(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "not known"
	}
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}

func addNew(names []string, name string) []string {
	for _, n := range names {
		if n == name {
			return names
		}
	}
	return append(names, name)
}
