// Package forced keeps on disk which fans are forced by an exercise: a note lies in
// the folder of the store from before a fan is forced until it has been given back.
// Whoever finds one whose program has ended knows that the fan may still be forced.
package forced

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Note says that a fan is about to be forced, or was.
type Note struct {
	Fan   reading.FanID `json:"fan"`
	Since time.Time     `json:"since"` // zero where the note cannot be read
	// Writes are the places that are written to, in words; none where they are not known.
	Writes []string `json:"writes,omitempty"`
	// Alive is true while the program that wrote the note runs: then the fan is
	// exercised now.
	Alive bool   `json:"-"`
	file  string // that it was read from
}

// folder is where notes lie in the folder of the store.
func folder(dir string) string { return filepath.Join(dir, "forced") }

// path is of one fan's note. Ids may hold what no file's name may.
func path(dir string, fan reading.FanID) string {
	return filepath.Join(folder(dir), fmt.Sprintf("%x.json", string(fan)))
}

// Held is a note of this program, which whoever lists it sees to be alive.
type Held struct {
	dir    string
	fan    reading.FanID
	writes []string
	file   *os.File
}

// Put puts a note on disk, so that it outlives a loss of power. One that is there
// already is not touched: its fan is exercised by another program, or was left
// forced by one. Where Put fails for another reason, no note is left. Writes are
// the places that are about to be written to, in words.
func Put(dir string, fan reading.FanID, writes ...string) (*Held, error) {
	if err := os.MkdirAll(folder(dir), 0o755); err != nil {
		return nil, err
	}
	file, err := os.OpenFile(path(dir, fan), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		if read(path(dir, fan)).Alive {
			return nil, errors.New("another program exercises it now")
		}
		return nil, errors.New("an exercise has ended without giving it back: give it back first with --release")
	}
	if err != nil {
		return nil, err
	}
	h := &Held{dir, fan, writes, file}
	if err := h.write(); err != nil {
		file.Close()
		return nil, errors.Join(err, os.Remove(path(dir, fan)))
	}
	return h, nil
}

// write locks the note, so that it is alive before it says anything, and writes it;
// the lock ends with the program, in whatever way that ends.
func (h *Held) write() error {
	text, err := json.Marshal(Note{Fan: h.fan, Since: time.Now().UTC(), Writes: h.writes})
	if err != nil {
		return err
	}
	if err := syscall.Flock(int(h.file.Fd()), syscall.LOCK_EX); err != nil {
		return err
	}
	_, err = h.file.Write(text)
	return errors.Join(err, h.file.Sync(), syncDir(folder(h.dir)), syncDir(h.dir))
}

// Leave ends the hold and leaves the note: the fan may still be forced.
func (h *Held) Leave() { h.file.Close() }

// Remove takes a fan's note away: it was given back.
func Remove(dir string, fan reading.FanID) error {
	err := os.Remove(path(dir, fan))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := errors.Join(err, syncDir(folder(dir))); err != nil {
		return fmt.Errorf("%s was given back, but the note that it is forced cannot be removed: %w", fan, err)
	}
	return nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// List returns the notes in the folder of a store, by the ids of their fans; ""
// has none. Its error means that it cannot be told which fans were left forced.
func List(dir string) ([]Note, error) {
	if dir == "" {
		return nil, nil
	}
	entries, err := os.ReadDir(folder(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("whether an exercise has left a fan forced cannot be told: %w", err)
	}
	var all []Note
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".json") {
			all = append(all, read(filepath.Join(folder(dir), e.Name())))
		}
	}
	return all, nil
}

// read reads a note. One that cannot be read counts too: the name of its file
// tells the fan.
func read(path string) Note {
	var n Note
	text, _ := os.ReadFile(path)
	if json.Unmarshal(text, &n) != nil || n.Fan == "" {
		var id []byte
		fmt.Sscanf(filepath.Base(path), "%x.json", &id)
		n = Note{Fan: reading.FanID(id)}
	}
	n.file = path
	if file, err := os.Open(path); err == nil {
		n.Alive = errors.Is(syscall.Flock(int(file.Fd()), syscall.LOCK_SH|syscall.LOCK_NB), syscall.EWOULDBLOCK)
		file.Close()
	}
	return n
}

// Elsewhere reports what no longer is where the exercise wrote it, given what would
// be written to now; nil where all is, or where the note does not say.
func (n Note) Elsewhere(now []string) error {
	if len(n.Writes) == 0 || slices.Equal(n.Writes, now) {
		return nil
	}
	return fmt.Errorf("the fleet file has changed since it was forced, so a release would go elsewhere. The exercise wrote to: %s; a release now would to: %s. "+
		"Put the file back as it was, or set the fan back to automatic at its controller and remove the note: %s",
		strings.Join(n.Writes, ", "), strings.Join(now, ", "), n.file)
}

// Says is the word about a fan that may still be forced.
func (n Note) Says() string {
	switch {
	case n.Alive:
		return "is being exercised now"
	case n.Since.IsZero():
		return "MAY STILL BE FORCED: an exercise ended without giving it back"
	}
	return fmt.Sprintf("MAY STILL BE FORCED: an exercise begun %s ended without giving it back", n.Since.Format(time.RFC3339))
}

// Remedy is the command that gives a fan back. File is the fleet file's path.
func Remedy(fan reading.FanID, file string) string {
	if at, err := filepath.Abs(file); err == nil {
		file = at
	}
	return fmt.Sprintf("fanwarden turnover --config %s --release --fan %s", quoted(file), quoted(string(fan)))
}

// quoted writes an argument as a shell takes it.
func quoted(text string) string {
	plain := func(c rune) bool {
		return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("/._-+:@", c)
	}
	if text != "" && strings.IndexFunc(text, func(c rune) bool { return !plain(c) }) < 0 {
		return text
	}
	return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'"
}

// Advice says what to do with a fan that may still be forced.
func Advice(fan reading.FanID, fleet *config.Fleet) string {
	for _, f := range fleet.Fans {
		if f.ID == fan {
			return "give it back with: " + Remedy(fan, fleet.Path) + "\nor set it back to automatic at its controller, and see that it follows its pressure again"
		}
	}
	return fmt.Sprintf("it is not in %s any more: set it back to automatic at its controller, or put it back into the file and then: %s", fleet.Path, Remedy(fan, fleet.Path))
}
