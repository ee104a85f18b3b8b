package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
)

//go:embed assets
var assets embed.FS

// shellFile is the one page that every path of the dashboard is answered with.
const shellFile = "index.html"

// kinds are the assets that browsers ask for, by the end of their names. What
// has another end is for the program itself.
var kinds = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
	".png": "image/png",
}

// asset is one file that browsers ask for.
type asset struct {
	kind    string
	content []byte
	packed  []byte // by gzip; nil where that saves nothing
}

// library is every asset, by its path below assets.
type library struct {
	files map[string]asset
	print string // of all of them: another content has another address
}

// embedded returns the library of this program, packed once.
var embedded = sync.OnceValue(func() *library {
	files, err := fs.Sub(assets, "assets")
	if err == nil {
		var l *library
		if l, err = newLibrary(files); err == nil {
			return l
		}
	}
	panic(err) // the files are part of the program
})

// newLibrary reads the files of a folder and packs each once.
func newLibrary(from fs.FS) (*library, error) {
	l := &library{files: make(map[string]asset)}
	sum := sha256.New()
	err := fs.WalkDir(from, ".", func(name string, entry fs.DirEntry, err error) error {
		kind := kinds[path.Ext(name)]
		if err != nil || entry.IsDir() || kind == "" {
			return err
		}
		content, err := fs.ReadFile(from, name)
		if err != nil {
			return err
		}
		fmt.Fprintf(sum, "%s %d\n%s", name, len(content), content)
		l.files[name] = asset{kind, content, pack(content)}
		return nil
	})
	l.print = fmt.Sprintf("%x", sum.Sum(nil))[:12]
	return l, err
}

// path is the folder that browsers find the files in.
func (l *library) path() string { return "/assets/" + l.print }

// pack packs a content by gzip, or returns nil where that saves nothing.
func pack(content []byte) []byte {
	var packed bytes.Buffer
	w, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression) // fails for unknown levels only
	_, _ = w.Write(content)                                    // a buffer takes everything
	_ = w.Close()
	if packed.Len() >= len(content) {
		return nil
	}
	return packed.Bytes()
}

// ServeHTTP serves /assets/{print}/{file...}. Under one print a file never
// changes, so browsers may keep it for ever; another print is of another
// program, and a page of that one is to be loaded anew.
func (l *library) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	file, known := l.files[r.PathValue("file")]
	if !known || r.PathValue("print") != l.print {
		plain(w, http.StatusNotFound, "there is no such file, or no longer; load the page again")
		return
	}
	h := w.Header()
	h.Set("Content-Type", file.kind)
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Vary", "Accept-Encoding")
	content := file.content
	if file.packed != nil && takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		content = file.packed
	}
	h.Set("Content-Length", strconv.Itoa(len(content)))
	_, _ = w.Write(content)
}

// takesGzip reports whether who asks can unpack gzip.
func takesGzip(r *http.Request) bool {
	for _, way := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, weight, _ := strings.Cut(way, ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			_, q, given := strings.Cut(weight, "=")
			refused, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
			return !given || err == nil && refused > 0
		}
	}
	return false
}
