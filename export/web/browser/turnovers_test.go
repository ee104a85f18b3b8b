package browser_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Somebody proves a fan twice while the daemon runs, finds both records on the fan's
// page, and opens the sheet of the second, which is to be printed. Both pages are for
// everybody.
func TestTurnoverRecords(t *testing.T) {
	w := inWorkshop(t)
	b, script := newTab(t, w.url), checker(t)
	b.open("/fans/alder-ef5")
	b.await("that there is no record", `document.querySelector(".turnovers .empty") !== null`)
	evaluate[bool](b, `(document.querySelector(".turnovers").scrollIntoView(), true)`) // it is asked for while it is seen
	for range 2 {
		w.prove(t, "alder-ef5")
	}
	b.await("two records", `document.querySelectorAll(".turnovers tbody tr").length === 2`)
	if says := evaluate[string](b, `document.querySelector(".turnovers tbody").innerText`); !contains(says, "A. Person", "W. Itness", "passed", "fits", "the first", "nothing failed either time") {
		t.Errorf("the list says %s", says)
	}
	b.everywhere(script, "a fan with records")
	b.pictured("turnovers", "/fans/alder-ef5")

	b.open(evaluate[string](b, `document.querySelector(".turnovers tbody tr a").getAttribute("href")`))
	if says := evaluate[string](b, `document.body.innerText`); !contains(says, "A retest", "W. Itness", "Manometer", "Serial number", "The record fits it") {
		t.Errorf("the sheet says %s", says)
	}
	if has := evaluate[string](b, `getComputedStyle(document.querySelector("h1")).fontSize`); has != "27.2px" {
		t.Errorf("its style is not taken: the title has %s", has)
	}
	b.everywhere(script, "the sheet of a record")
	b.pictured("sheet", evaluate[string](b, "location.pathname"))

	b.open("/buildings/alder/turnover")
	if says := evaluate[string](b, `document.body.innerText`); !contains(says, "Turnover of Alder Hall", "Fans, by their worst", "No record: Riser 1") {
		t.Errorf("the document of the building says %s", says)
	}
	b.everywhere(script, "the document of a building")
}

// A fan that an exercise has left forced says so at its head, with the command that
// gives it back, until that was done.
func TestAFanLeftForced(t *testing.T) {
	w := inWorkshop(t)
	b, script := newTab(t, w.url), checker(t)
	note := filepath.Join(filepath.Dir(w.file), "store", "forced", fmt.Sprintf("%x.json", "alder-ef4"))
	if err := os.MkdirAll(filepath.Dir(note), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(note, []byte(`{"fan":"alder-ef4","since":"2026-01-05T06:00:00Z"}`), 0o644); err != nil {
		t.Fatal(err)
	}
	b.open("/fans/alder-ef4")
	w.prove(t, "alder-ef3") // through the gateway of both, which the daemon then takes back
	b.await("the word about the fan", `document.querySelector(".head .failed")?.innerText.includes("May still be forced")`)
	if says := evaluate[string](b, `document.querySelector(".head .failed").innerText`); !contains(says, "fanwarden turnover --config FILE --release --fan alder-ef4", "automatic at its controller") {
		t.Errorf("it says %s", says)
	}
	b.everywhere(script, "a fan left forced")
	if err := os.Remove(note); err != nil {
		t.Fatal(err)
	}
	w.prove(t, "alder-ef3")
	b.await("that it is free", `!document.querySelector(".head").innerText.includes("May still be forced")`) // other tests made it silent
}

func contains(text string, all ...string) bool {
	return !slices.ContainsFunc(all, func(one string) bool { return !strings.Contains(text, one) })
}

// prove proves a fan through the daemon.
func (w *workshop) prove(t *testing.T, fan string) {
	t.Helper()
	p := start(t, "turnover", "--config", w.file, "--fan", fan, "--for", "1s", "--by", "A. Person", "--witness", "W. Itness", "--instrument", "Manometer,M-12,2026-05-01")
	p.hears(t, `(points pass)`)
	p.cmd.Wait()
}

// pictured takes pictures of a page, where they are wanted.
func (b *tab) pictured(name, path string) {
	b.t.Helper()
	dir := os.Getenv("FANWARDEN_PICTURES")
	if dir == "" {
		return
	}
	for label, s := range map[string]size{"360": phone, "1440": desk} {
		b.resize(s)
		for _, theme := range themes {
			b.theme(theme)
			b.open(path)
			b.picture(filepath.Join(dir, name+"-"+theme+"-"+label+".png"))
		}
	}
	b.resize(desk)
}
