package browser_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/page"
)

// TestPictures takes a picture of every page in both themes for people to look
// at, into the folder that FANWARDEN_PICTURES names; without it, of the fleet only.
func TestPictures(t *testing.T) {
	url, _ := demonstration(t)
	dir, all := os.Getenv("FANWARDEN_PICTURES"), pages(t, url)
	if dir == "" {
		dir, all = t.TempDir(), all[:1]
	}
	b := newTab(t, url)
	for _, p := range all {
		sizes := []size{{390, 844}, {1440, 900}}
		if p.name == "fleet" {
			sizes = append(sizes, size{3840, 2160})
		}
		for _, s := range sizes {
			b.resize(s)
			for _, theme := range themes {
				b.theme(theme)
				b.open(p.path)
				b.picture(filepath.Join(dir, fmt.Sprintf("%s-%s-%dx%d.png", p.name, theme, s.width, s.height)))
			}
		}
	}
}

// picture writes the whole page, beyond its window too.
func (b *tab) picture(file string) {
	b.t.Helper()
	yes := true
	height := evaluate[float64](b, "document.documentElement.scrollHeight")
	width := evaluate[float64](b, "document.documentElement.clientWidth")
	shot := call(b, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: &yes,
		Clip: &page.Viewport{Width: width, Height: height, Scale: 1}})
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(file, shot.Data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
