package web

import (
	"bytes"
	"testing"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

// Alarms call their fans as the fleet file does, also after it was loaded anew.
func TestAlarmsCallTheirFansAsTheFleetFileDoes(t *testing.T) {
	current := sample.Campus()
	s := &site{snapshot: func() *export.Snapshot { return current }, desk: newDesk(t)}
	before := s.notes()
	if s.notes() != before {
		t.Error("what the desk says was copied twice of the same fleet")
	}
	renamed := *current.Fleet
	renamed.Fans = nil
	for _, f := range current.Fleet.Fans {
		again := *f
		if again.ID != "alder-ef1" { // is gone
			again.Name = "Washing room"
			renamed.Fans = append(renamed.Fans, &again)
		}
	}
	reloaded := *current
	reloaded.Fleet = &renamed
	current = &reloaded
	after := s.notes()
	for i := range after.alarms {
		a, was, is := after.alarms[i].alarm, before.alarms[i].text, after.alarms[i].text
		if a.Fan == "" || was == nil {
			continue
		}
		if named := bytes.Contains(is, []byte(`"name":"Washing room"`)); named != (a.Fan != "alder-ef1") || bytes.Equal(was, is) {
			t.Errorf("%s: %s, then %s", a.Fan, was, is)
		}
	}
}

func TestNobodyIsNamedWithoutASnapshot(t *testing.T) {
	s := &site{snapshot: func() *export.Snapshot { return nil }}
	if n := s.names(); n.fleet != (*config.Fleet)(nil) || n.fans["x"] != "" {
		t.Errorf("%+v", n)
	}
}
