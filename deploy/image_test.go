package deploy_test

import (
	"encoding/json"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
	"testing"
)

const root = ".." // of the repository, where the Dockerfile is

// instruction is one instruction of a Dockerfile.
type instruction struct{ word, rest string }

// instructions reads a Dockerfile of one line an instruction.
func instructions(t *testing.T) []instruction {
	t.Helper()
	var all []instruction
	for line := range strings.Lines(read(t, filepath.Join(root, "Dockerfile"))) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if strings.HasSuffix(line, `\`) {
			t.Fatalf("an instruction is continued on the next line, which this test does not read: %s", line)
		}
		word, rest, _ := strings.Cut(line, " ")
		all = append(all, instruction{word, rest})
	}
	return all
}

// last returns the last instruction of that word, which is the one in force.
func last(t *testing.T, word string) string {
	t.Helper()
	found := ""
	for _, i := range instructions(t) {
		if i.word == word {
			found = i.rest
		}
	}
	if found == "" {
		t.Fatalf("the Dockerfile has no %s", word)
	}
	return found
}

// commandLine is what the image runs.
func commandLine(t *testing.T) []string {
	t.Helper()
	var entry, args []string
	for word, into := range map[string]*[]string{"ENTRYPOINT": &entry, "CMD": &args} {
		if err := json.Unmarshal([]byte(last(t, word)), into); err != nil {
			t.Fatalf("%s is not a list, and there is no shell to read it: %v", word, err)
		}
	}
	return append(entry, args...)
}

func TestImageIsEmptyAndRunsAsNobody(t *testing.T) {
	for word, want := range map[string]string{"FROM": "scratch", "USER": "65532:65532", "EXPOSE": "9640"} {
		if got := last(t, word); got != want {
			t.Errorf("%s %s, want %s", word, got, want)
		}
	}
	if got := strings.Join(commandLine(t), " "); got != "/fanwarden run --config /etc/fanwarden/fleet.toml" {
		t.Errorf("it runs %s", got)
	}
}

// ignored reports whether .dockerignore keeps a file out of the build. It
// knows the two kinds of pattern that the file has: names at the top, and
// names anywhere, written with **/ before them.
func ignored(patterns []string, file string) bool {
	steps := strings.Split(file, "/")
	for _, p := range patterns {
		anywhere := strings.HasPrefix(p, "**/")
		for i, step := range steps {
			if i > 0 && !anywhere {
				break
			}
			if match, _ := path.Match(strings.TrimPrefix(p, "**/"), step); match {
				return true
			}
		}
	}
	return false
}

// buildContext copies what a build of the image sees to an empty folder.
func buildContext(t *testing.T) string {
	t.Helper()
	var patterns []string
	for line := range strings.Lines(read(t, filepath.Join(root, ".dockerignore"))) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			patterns = append(patterns, line)
		}
	}
	context := t.TempDir()
	err := filepath.WalkDir(root, func(place string, entry fs.DirEntry, err error) error {
		if err != nil || place == root {
			return err
		}
		file, _ := filepath.Rel(root, place)
		switch {
		case ignored(patterns, filepath.ToSlash(file)) && entry.IsDir():
			return fs.SkipDir
		case ignored(patterns, filepath.ToSlash(file)):
			return nil
		case entry.IsDir():
			return os.MkdirAll(filepath.Join(context, file), 0o755)
		case !entry.Type().IsRegular():
			return nil
		}
		content, err := os.ReadFile(place)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(context, file), content, 0o644)
	})
	if err != nil {
		t.Fatal(err)
	}
	return context
}

// buildImage does what the Dockerfile's RUN lines do, in a copy of what the
// build would see, and returns the program's place.
func buildImage(t *testing.T, version string) string {
	t.Helper()
	tool(t, "sh", "dash")
	out := t.TempDir()
	context := buildContext(t)
	built := false
	for _, i := range instructions(t) {
		if i.word != "RUN" || strings.Contains(i.rest, "go mod download") {
			continue
		}
		built = built || strings.Contains(i.rest, "go build")
		run := exec.Command("sh", "-ec", strings.ReplaceAll(i.rest, "/out/", out+"/"))
		run.Dir = context
		run.Env = append(os.Environ(), "VERSION="+version)
		if said, err := run.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", i.rest, err, said)
		}
	}
	if !built {
		t.Fatal("the Dockerfile builds nothing")
	}
	return filepath.Join(out, "fanwarden")
}
