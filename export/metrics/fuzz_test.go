package metrics

import (
	"strings"
	"testing"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"fanwarden/export/internal/sample"
)

// Whatever a fan is called, a scrape of it can be read, and gives back the
// name.
func FuzzName(f *testing.F) {
	f.Add("Bath risers 1-4")
	f.Add(sample.Hostile)
	f.Add("\x00\r\n\t\"} 1 # \\n")
	f.Fuzz(func(t *testing.T, name string) {
		s := sample.Campus()
		s.Fans[0].Fan.Name = name
		parser := expfmt.NewTextParser(model.LegacyValidation)
		parsed, err := parser.TextToMetricFamilies(strings.NewReader(text(t, over(&s))))
		if err != nil {
			t.Fatal(err)
		}
		info := parsed["fanwarden_fan_info"].Metric
		if len(info) != len(s.Fans) {
			t.Fatalf("%d fans are described, want %d", len(info), len(s.Fans))
		}
		got := ""
		for _, l := range info[0].Label {
			if l.GetName() == "name" {
				got = l.GetValue()
			}
		}
		if want := strings.ToValidUTF8(name, "\uFFFD"); got != want {
			t.Errorf("%q came back as %q", want, got)
		}
	})
}
