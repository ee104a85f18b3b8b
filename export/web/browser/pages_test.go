package browser_test

import "testing"

// page is a page of the demo.
type view struct{ name, path string }

// pages are all that the demo at url can show, each kind once.
func pages(t *testing.T, url string) []view {
	t.Helper()
	months := get[struct{ Months []struct{ Month string } }](t, url+"/api/v1/reports").Months
	return []view{
		{"fleet", "/"},
		{"building", "/buildings/quillmere"},
		{"fan", "/fans/quillmere-ef7"},        // flat out and short of its setpoint
		{"silent-fan", "/fans/quillmere-ef9"}, // its controller does not answer
		{"airflow-fan", "/fans/tessarow-ef7"}, // holds an airflow, and moves none
		{"bacnet-fan", "/fans/bristlow-ef7"},  // its points are objects
		{"alarms", "/alarms"},
		{"journal", "/alarms?show=journal"},
		{"reports", "/reports"},
		{"report", "/reports/quillmere/" + months[0].Month},
	}
}

// Each page is as it should be for everybody: on a phone and on a desk, light
// and dark, for people who see it and for those who have it read to them.
func TestPagesAreAccessible(t *testing.T) {
	url, _ := demonstration(t)
	script := checker(t)
	b := newTab(t, url)
	for _, p := range pages(t, url) {
		b.open(p.path)
		b.everywhere(script, p.name)
	}
}
