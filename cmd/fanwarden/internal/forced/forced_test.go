package forced

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

func list(t *testing.T, dir string) []Note {
	t.Helper()
	all, err := List(dir)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A note is there from Put to Remove, alive while its program holds it, and is no
// one else's meanwhile.
func TestNotes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	if all := list(t, dir); len(all) != 0 {
		t.Errorf("of nothing: %v", all)
	}
	const odd = reading.FanID("north/ef 1's *")
	h, err := Put(dir, odd)
	if err != nil {
		t.Fatal(err)
	}
	if all := list(t, dir); len(all) != 1 || all[0].Fan != odd || all[0].Since.IsZero() || !all[0].Alive || all[0].Says() != "is being exercised now" {
		t.Errorf("while it is held: %+v", all)
	}
	if _, err := Put(dir, odd); err == nil || !strings.Contains(err.Error(), "another program exercises it now") {
		t.Errorf("a second one: %v", err)
	}
	other, err := Put(dir, "ef2")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Leave()
	h.Leave()
	if all := list(t, dir); len(all) != 2 || all[1].Alive || !strings.HasPrefix(all[1].Says(), "MAY STILL BE FORCED: an exercise begun ") {
		t.Errorf("after it was left: %+v", all)
	}
	if _, err := Put(dir, odd); err == nil || !strings.Contains(err.Error(), "--release") {
		t.Errorf("where one was left: %v", err)
	}
	for range 2 { // what is gone needs no removing
		if err := Remove(dir, odd); err != nil {
			t.Error(err)
		}
	}
	if all := list(t, dir); len(all) != 1 || all[0].Fan != "ef2" {
		t.Errorf("after it was removed: %+v", all)
	}
}

// A note that was cut short still tells its fan, and one that cannot be written is
// not left behind.
func TestNotesOfABadDisk(t *testing.T) {
	dir := t.TempDir()
	os.MkdirAll(folder(dir), 0o755)
	os.WriteFile(path(dir, "ef1"), nil, 0o644)
	os.WriteFile(filepath.Join(folder(dir), "stray.txt"), nil, 0o644)
	if all := list(t, dir); len(all) != 1 || all[0].Fan != "ef1" || all[0].Alive || all[0].Says() != "MAY STILL BE FORCED: an exercise ended without giving it back" {
		t.Errorf("%+v", all)
	}
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := (&Held{dir, "ef2", nil, full}).write(); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("%v", err)
	}
	if _, err := Put("/dev/null", "ef3"); err == nil {
		t.Error("a note was put into no folder")
	}
	if _, err := List("/dev/null"); err == nil || !strings.Contains(err.Error(), "cannot be told") {
		t.Errorf("a list of what cannot be read: %v", err)
	}
}

// Where the note cannot be written, none is left: nothing was forced. The limit of
// the size of a file stands in for a full disk.
func TestNothingIsLeftOnAFullDisk(t *testing.T) {
	if os.Getenv("FANWARDEN_FULL") != "" {
		if _, err := Put(os.Getenv("FANWARDEN_FULL"), "ef1"); err == nil {
			t.Error("a file that may not grow has grown")
		}
		return
	}
	dir := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-c", `trap "" XFSZ; ulimit -f 0; exec "$0" -test.run TestNothingIsLeftOnAFullDisk >/dev/null`, self)
	cmd.Env = append(os.Environ(), "FANWARDEN_FULL="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if all := list(t, dir); len(all) != 0 {
		t.Errorf("left: %+v", all)
	}
}

// What a person is told can be typed into a shell as it stands.
func TestAdvice(t *testing.T) {
	fleet := &config.Fleet{Path: "/etc/fan warden/fleet.toml", Fans: []*config.Fan{{ID: "ef1"}, {ID: "it's"}}}
	for fan, want := range map[reading.FanID]string{
		"ef1":  "give it back with: fanwarden turnover --config '/etc/fan warden/fleet.toml' --release --fan ef1\n",
		"it's": `--release --fan 'it'\''s'`,
		"gone": "is not in /etc/fan warden/fleet.toml any more",
	} {
		if got := Advice(fan, fleet); !strings.Contains(got, want) {
			t.Errorf("%s: %s", fan, got)
		}
	}
}
