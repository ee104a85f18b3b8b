package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/crypto/bcrypt"
)

func runHash(input string, args ...string) (status int, stdout, stderr string) {
	var out, diagnostics bytes.Buffer
	status = execute(context.Background(), &process{stdin: strings.NewReader(input), stdout: &out, stderr: &diagnostics},
		append([]string{"hash"}, args...))
	return status, out.String(), diagnostics.String()
}

func TestHashOfAPassword(t *testing.T) {
	status, out, _ := runHash("correct horse battery\n")
	made := strings.TrimSuffix(out, "\n")
	if status != allWell || bcrypt.CompareHashAndPassword([]byte(made), []byte("correct horse battery")) != nil {
		t.Errorf("status %d, %q", status, out)
	}
	if cost, err := bcrypt.Cost([]byte(made)); err != nil || cost != passwordCost {
		t.Errorf("cost %d, %v", cost, err)
	}
	for _, bad := range []string{"", "short\n", strings.Repeat("x", 73) + "\n"} {
		if status, out, stderr := runHash(bad); status != couldNotRun || out != "" || !strings.Contains(stderr, "from 10 to 72 bytes") {
			t.Errorf("%q: status %d, %q, %q", bad, status, out, stderr)
		}
	}
}

func TestHashOfAToken(t *testing.T) {
	status, out, _ := runHash("", "--token")
	lines := strings.Fields(out)
	if status != allWell || len(lines) != 2 || len(lines[0]) != 64 || lines[1] != fmt.Sprintf("%x", sha256.Sum256([]byte(lines[0]))) {
		t.Errorf("status %d, %q", status, out)
	}
	if _, again, _ := runHash("", "--token"); again == out {
		t.Error("the same token twice")
	}
}
