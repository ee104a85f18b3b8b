package notify

import (
	"testing"

	"fanwarden/config"
	"fanwarden/rules/alarm"
)

func TestLinksLeadToThePage(t *testing.T) {
	at := &config.Fleet{Web: config.Web{URL: "https://fans.example.edu/campus"}}
	for _, c := range []struct {
		fleet *config.Fleet
		of    alarm.Alarm
		want  string
	}{
		{at, alarm.Alarm{Building: "alder", Fan: "alder-ef1"}, "https://fans.example.edu/campus/fans/alder-ef1"},
		{at, alarm.Alarm{Building: "alder", Fan: "küche-1"}, "https://fans.example.edu/campus/fans/k%C3%BCche-1"},
		{at, alarm.Alarm{Building: "alder", Gateway: "alder-roof"}, "https://fans.example.edu/campus/buildings/alder"},
		{&config.Fleet{}, alarm.Alarm{Building: "alder", Fan: "alder-ef1"}, ""},
	} {
		if got := newDirectory(c.fleet).link(&c.of); got != c.want {
			t.Errorf("%s %s: %q, want %q", c.of.Gateway, c.of.Fan, got, c.want)
		}
	}
}
