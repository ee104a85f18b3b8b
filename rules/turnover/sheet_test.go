package turnover

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

func sheetOf(t *testing.T, records ...*Record) string {
	t.Helper()
	var b bytes.Buffer
	if err := (&Sheet{Records: records, Zone: time.FixedZone("CST", -6*3600)}).Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestSheetHolds(t *testing.T) {
	r := recorded(t, "imperial", "")
	for verdict := NotApplicable; verdict <= Fail; verdict++ {
		r.Points[verdict].Verdict = verdict
	}
	r.Seal()
	page := sheetOf(t, r)
	for _, want := range []string{
		`class="verdict pass"`, `class="verdict fail"`, `class="verdict not_seen"`, `class="verdict not_applicable"`, "</svg>not seen</span>",
		r.SHA256, r.RetestOf.SHA256, "retest", "2026-03-02 03:00:00 CST", `register 30011</span><br><span class="soft">unit 1`, "&times; 0.1 Pa",
		r.Points[0].Raw, r.Points[0].ValueText, r.Points[0].ExpectedText, " inH2O",
		"29 CFR 1910.147", "29 CFR 1910.28(b)(13)", "Local codes and licensed practice",
		"Serial number", "Calibration date", "It shows", "Initials", "Integrator",
		"A retest", "mended", "reads 0.0 Pa while the fan runs", "2026-03-02 02:00:00 CST", "Zero of the pressure", "both tubes off", "0.000 inH2O",
		"With a hand pump", "Loss of communication", "controller_silent is raised", "A wrong address", "read unit 1", "Makes once at 60 %", "sign as read",
		"The record fits it", "Owner", "Witness", "Signature", "it was interrupted", "@page", "@media print",
		`class="forced" d="M0.0 56.0`, "J. Doe", "fanwarden 1",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the sheet has no %q", want)
		}
	}
	for _, p := range r.Points {
		if !strings.Contains(page, `<th scope="row" class="whole">`+p.Point.String()+"</th>") {
			t.Errorf("no %s", p.Point)
		}
	}
	if strings.Contains(page, "ZgotmplZ") || strings.Contains(page, "%!") {
		t.Error("something could not be written")
	}
}

// A record that is not as it was sealed says so before anything else of it, and so
// does one that was found wrong when it was read.
func TestSheetWarnsOfWhatWasChanged(t *testing.T) {
	r := recorded(t, "metric", "")
	for i := range r.Points {
		if r.Points[i].Verdict == Pass {
			r.Points[i].Reason += "!"
			break
		}
	}
	page := sheetOf(t, r)
	if !strings.Contains(page, "Do not rely on this record. The record of f1 was changed since it was sealed") || strings.Contains(page, "The record fits it") {
		t.Error("it does not say that the record was changed")
	}
	r.Seal()
	if page = sheetOf(t, r); strings.Contains(page, "Do not rely") {
		t.Error("a sound record is doubted")
	}
	var b bytes.Buffer
	(&Sheet{Records: []*Record{r}, Doubts: map[*Record]error{r: errors.New("it is not written as it was")}, Links: []Link{{"/fans/f1", "The fan's page"}}}).Write(&b)
	if !strings.Contains(b.String(), "Do not rely on this record. It is not written as it was.") || !strings.Contains(b.String(), `<a href="/fans/f1">`) {
		t.Error("the doubt, or the link, is not shown")
	}
}

// The one style of the page is what its policy names.
func TestSheetPolicy(t *testing.T) {
	page := sheetOf(t, recorded(t, "metric", ""))
	style := regexp.MustCompile(`(?s)<style>(.*)</style>`).FindStringSubmatch(page)[1]
	sum := sha256.Sum256([]byte(style))
	if want := base64.StdEncoding.EncodeToString(sum[:]); !strings.Contains(SheetPolicy, "'sha256-"+want+"'") {
		t.Errorf("%s, and the style has %s", SheetPolicy, want)
	}
	if !strings.Contains(html.UnescapeString(page), SheetPolicy) {
		t.Error("the page does not name its policy")
	}
}

// What was given of instruments and people is filled in, and lines are left for
// more.
func TestSheetFillsIn(t *testing.T) {
	r := recorded(t, "metric", "")
	r.Witness, r.Instruments = "W. Itness", []Instrument{{"Manometer", "M-12", "2026-05-01"}, {"Tachometer", "T-3", "2026-04-01"}}
	r.Seal()
	page := sheetOf(t, r)
	for _, want := range []string{`<th scope="row">A</th><td>Manometer</td><td>M-12</td><td>2026-05-01</td>`, `<th scope="row">C</th><td></td>`,
		`<th scope="row">Witness</th><td>W. Itness</td><td></td><td></td>`, `<th scope="row">Integrator</th><td>J. Doe</td>`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s", want)
		}
	}
}

// The page stands alone: nothing runs in it and it asks no host.
func TestSheetStandsAlone(t *testing.T) {
	page := sheetOf(t, recorded(t, "metric", ""))
	if found := regexp.MustCompile(`(?i)<script|<link|<img|<iframe|\bon[a-z]+=|url\(|https?://|@import`).FindString(page); found != "" {
		t.Errorf("it has %q", found)
	}
	if !strings.Contains(page, "-29.9 Pa") || strings.Contains(page, "inH2O") {
		t.Error("it is not in the units of the site")
	}
}

func TestSheetEscapes(t *testing.T) {
	const evil = "<script>alert(1)</script>\"'\u202e"
	r := recorded(t, "metric", "")
	r.Site, r.Who, r.Program, r.Building = evil, evil, evil, Named{evil, evil}
	r.Fan.ID, r.Fan.Name, r.Fan.Serves, r.Fan.Location, r.Fan.Duty, r.Fan.PointMap, r.Fan.Controls, r.Fan.Probe = evil, evil, evil, evil, evil, evil, evil, evil
	r.Gateway, r.SHA256, r.RetestOf.SHA256, r.Course.Stopped, r.Mode = GatewayRecord{evil, evil}, evil, evil, evil, evil
	for i := range r.Points {
		p := &r.Points[i]
		p.Table, p.Register, p.Type, p.Order, p.In, p.Raw, p.ValueText, p.ExpectedText, p.ToleranceText, p.Reason = evil, evil, evil, evil, evil, evil, evil, evil, evil, evil
	}
	for i := range r.Seen {
		r.Seen[i].What, r.Seen[i].Reason = evil, evil
	}
	page := sheetOf(t, r)
	if strings.Contains(page, "<script") || strings.Contains(page, `href="javascript`) {
		t.Error("a name became markup")
	}
	if strings.Contains(page, "\u202e") {
		t.Error("names turn the page's direction round")
	}
}

func TestSheetOfSeveral(t *testing.T) {
	first, again := recorded(t, "metric", ""), recorded(t, "metric", "")
	first.RetestOf = nil
	first.Points[0].Verdict = Fail
	first.Seal()
	again.RetestOf = &Retest{SHA256: first.SHA256, Time: first.Began}
	again.Seal()
	page := sheetOf(t, first, again)
	for _, want := range []string{`id="r-` + first.SHA256, `id="r-` + again.SHA256, `It was proven again: <a href="#r-` + again.SHA256, `<a href="#r-` + first.SHA256 + `"><code>`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	v := (&Sheet{Records: []*Record{first, again}}).view()
	if v.Title != "B" || v.Counts[0].Verdict != Fail || v.Counts[0].Points != 1 || len(v.Counts) != 4 || v.Fans[0].Worst != Fail {
		t.Errorf("%+v", v.Counts)
	}
	points := 0
	for _, c := range v.Counts {
		points += c.Points
	}
	if points != len(first.Points)+len(again.Points) {
		t.Errorf("%d points are counted", points)
	}
}

// A cover names the fans of which there is no record.
func TestSheetNamesFansWithoutARecord(t *testing.T) {
	var b bytes.Buffer
	s := &Sheet{Records: []*Record{recorded(t, "metric", "")}, Without: []Named{{"ef8", "Eight"}, {"ef9", "<Nine>"}}}
	if err := s.Write(&b); err != nil || !strings.Contains(b.String(), "<p>No record: Eight <code>ef8</code>, &lt;Nine&gt; <code>ef9</code>.</p>") {
		t.Errorf("%v", err)
	}
}

// A fan that was only looked at, or that nobody could read, has a sheet too.
func TestSheetOfLittle(t *testing.T) {
	f := &Fan{Fan: recordedFan(t), Proofs: []Proof{{Place: config.PlacedPoint{Point: reading.Speed}, Verdict: Fail, Reason: "does not answer"}}}
	page := sheetOf(t, New(&config.Fleet{}, f, Made{}))
	if strings.Contains(page, `<svg class="trend"`) || !strings.Contains(page, "passive: it was looked at only") || !strings.Contains(page, "none") {
		t.Error(page)
	}
	if page := sheetOf(t); !strings.Contains(page, "Turnover of") {
		t.Error("no record at all")
	}
}

// Of a record that was cut to pieces the sheet shows what there is.
func TestSheetOfPieces(t *testing.T) {
	trend := `"course":{"trend":[{"time":"2026-01-01T00:00:00Z"},{"time":"1026-01-01T00:00:00Z","value":1}]}`
	for _, text := range []string{`{}`, `{"format":1,` + trend + `}`, `{"format":1,"retest_of":{},"points":[{}],"seen":[{}],"by_hand":[{}],` + trend + `}`} {
		r, err := Recall([]byte(text))
		if r == nil || err == nil {
			t.Fatalf("%s: %v", text, err)
		}
		if page := sheetOf(t, r, r); strings.Count(page, "Do not rely on this record") != 2 {
			t.Errorf("%s is not doubted", text)
		}
	}
}

func TestDraw(t *testing.T) {
	at := func(s int, v *float64) TrendRecord {
		return TrendRecord{Time: handedOver.Add(time.Duration(s) * time.Second), Value: v}
	}
	trend := []TrendRecord{at(0, finite(-10)), at(1, finite(-5)), at(2, nil), at(4, finite(99))}
	value := func(t *TrendRecord) *float64 { return t.Value }
	if got := draw(trend, value, -10, 0, 70, false); got != "M0.0 70.0L150.0 35.0M600.0 0.0" {
		t.Error(got)
	}
	if got := draw(trend, value, -10, 0, 70, true); got != "M0.0 70.0H150.0V35.0M600.0 0.0" {
		t.Error(got)
	}
	if low, high := span(trend[:2], value); low != -10 || high != 0 {
		t.Error(low, high)
	}
	if low, high := span(nil, value); low != 0 || high != 1 {
		t.Error(low, high)
	}
}
