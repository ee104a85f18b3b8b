package web

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// What the page's scripts reckon (axes, gaps, clocks, words) is tested where they
// run: testdata/js holds the tests, for Node's own runner.
func TestScripts(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("FANWARDEN_PEERS") == "required" {
			t.Fatal("node is missing, and FANWARDEN_PEERS=required: install the Debian package nodejs")
		}
		t.Skip("needs node; install the Debian package nodejs")
	}
	scratch := t.TempDir()
	for _, dir := range []string{"assets", "testdata/js"} {
		if err := os.CopyFS(filepath.Join(scratch, dir), os.DirFS(dir)); err != nil {
			t.Fatal(err)
		}
	}
	// A browser is told that the scripts are modules by the page, Node by this.
	if err := os.WriteFile(filepath.Join(scratch, "package.json"), []byte(`{"type": "module"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	tests, err := filepath.Glob(filepath.Join(scratch, "testdata/js/*.test.mjs"))
	if err != nil || len(tests) == 0 {
		t.Fatal("no tests of the scripts are found: ", err)
	}
	run := exec.CommandContext(t.Context(), node, append([]string{"--test"}, tests...)...)
	run.Dir = scratch
	if out, err := run.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
