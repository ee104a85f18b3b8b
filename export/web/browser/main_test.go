// Package browser_test looks at the page as people do: in a real Chromium, with
// mouse and keyboard, in both themes, on a phone and on a desk. It fails on
// whatever the browser complains of while it does.
package browser_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// patience is how long a test waits for something on a busy machine.
const patience = 30 * time.Second

// scratch is a folder for the whole run: the program, and what Chromium keeps.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "fanwarden-browser") })

// binary is the program as it is shipped.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := scratch()
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "fanwarden")
	if out, err := exec.Command("go", "build", "-pgo=off", "-o", path, "fanwarden/cmd/fanwarden").CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return path, nil
})

// endBrowser ends the browser, once there is one.
var endBrowser = func() {}

// browser is the one Chromium of the run. Each tab has cookies and logins of its
// own.
var browser = sync.OnceValues(func() (context.Context, error) {
	dir, err := scratch()
	if err != nil {
		return nil, err
	}
	program := chromium()
	if program == "" {
		return nil, errors.New("chromium is not installed (Debian package chromium)")
	}
	options := []chromedp.ExecAllocatorOption{chromedp.ExecPath(program), chromedp.UserDataDir(filepath.Join(dir, "chromium")),
		chromedp.Flag("headless", "new"), chromedp.Flag("hide-scrollbars", true)}
	for _, flag := range []string{"no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
		"disable-component-update", "disable-sync", "disable-default-apps", "disable-extensions", "disable-dev-shm-usage",
		"disable-background-timer-throttling", "disable-renderer-backgrounding", "disable-backgrounding-occluded-windows"} {
		options = append(options, chromedp.Flag(flag, true))
	}
	allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(allocator)
	endBrowser = func() { end(); endAllocator() }
	return ctx, chromedp.Do(ctx)
})

func chromium() string {
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

func TestMain(m *testing.M) {
	status := m.Run()
	endPrograms()
	endBrowser()
	if dir, err := scratch(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(status)
}

// missing ends the test. The run that is to skip nothing sets
// FANWARDEN_PEERS=required.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("FANWARDEN_PEERS") == "required" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// needsBrowser skips the test where there is no Chromium.
func needsBrowser(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes its time")
	}
	if chromium() == "" {
		missing(t, "chromium is not installed (Debian package chromium)")
	}
}
