package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// intent is what lies on disk from before a fan is forced until it has been given
// back: whoever finds it knows that a program ended in between.
type intent struct {
	Fan   reading.FanID `json:"fan"`
	Since time.Time     `json:"since"`
}

// forcedDir is where intents lie in the folder of the store.
func forcedDir(dir string) string { return filepath.Join(dir, "forced") }

func intentPath(dir string, fan reading.FanID) string {
	return filepath.Join(forcedDir(dir), fmt.Sprintf("%x.json", string(fan))) // ids may hold what no file name may
}

// intend puts an intent on disk, so that it outlives a loss of power.
func intend(dir string, fan reading.FanID) error {
	if err := os.MkdirAll(forcedDir(dir), 0o700); err != nil {
		return err
	}
	text, err := json.Marshal(intent{fan, time.Now().UTC()})
	if err != nil {
		return err
	}
	file, err := os.OpenFile(intentPath(dir, fan), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	return errors.Join(err, file.Sync(), file.Close(), syncDir(forcedDir(dir)), syncDir(dir))
}

// undone takes an intent away: the fan was given back.
func undone(dir string, fan reading.FanID) error {
	if err := os.Remove(intentPath(dir, fan)); err != nil && !errors.Is(err, os.ErrNotExist) {
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

// forced lists the fans that an exercise may have left forced. An intent that
// cannot be read counts too: the file's name tells the fan.
func forced(dir string) []intent {
	if dir == "" {
		return nil
	}
	paths, _ := filepath.Glob(filepath.Join(forcedDir(dir), "*.json"))
	var all []intent
	for _, path := range paths {
		var one intent
		text, _ := os.ReadFile(path)
		if json.Unmarshal(text, &one) != nil || one.Fan == "" {
			var id []byte
			fmt.Sscanf(filepath.Base(path), "%x.json", &id)
			one = intent{Fan: reading.FanID(id)}
		}
		all = append(all, one)
	}
	return all
}

// warnOfForced says which fans may have been left forced, and what releases them.
func warnOfForced(w io.Writer, fleet *config.Fleet, path string) {
	for _, one := range forced(fleet.Store.Dir) {
		fmt.Fprintf(w, "%s MAY STILL BE FORCED: an exercise begun %s ended without giving it back\n%s\n", one.Fan, one.Since.Format(time.RFC3339), remedy(one.Fan, path))
	}
}

// remedy says what to do with a fan that may still be forced.
func remedy(fan reading.FanID, path string) string {
	return fmt.Sprintf("  give it back with: fanwarden turnover --config %s --release --fan %s\n  or set it back to automatic at its controller, and see that it follows its pressure again", path, fan)
}
