package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// leastCost is the least work that a bcrypt hash must take: below it a stolen
// file gives its passwords away. (Common practice: ten or more.)
const leastCost = 10

func (a *assembly) web(t *table) {
	w := &a.fleet.Web
	a.fleet.webLine = t.lineOf("listen")
	w.Listen = t.text("listen", defaultListen)
	if problem := badListen(w.Listen); problem != "" {
		t.fault("listen", problem, `write host:port, as in "127.0.0.1:9640", or ":9640" for every address of the machine`)
	}
	w.URL = t.site("url")
	a.certificate(t)
	w.Users, w.Tokens = a.secrets(t, "users"), a.secrets(t, "tokens")
	w.ReadingNeedsLogin = t.choice("reading", "open", "open", "login") == "login"
	if w.ReadingNeedsLogin && len(w.Users)+len(w.Tokens) == 0 {
		t.fault("reading", "nobody could read: reading needs a login, and there is no user and no token",
			"make a user with `fanwarden hash`, or write reading = \"open\"")
	}
	t.finish()
}

// site reads the beginning of links.
func (t *table) site(key string) string {
	text := t.text(key, "")
	if text == "" {
		return ""
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		t.fault(key, fmt.Sprintf("%q cannot be the beginning of a link", text), `write it as people reach the page, as in "https://fans.example.edu"`)
		return ""
	}
	return strings.TrimRight(text, "/")
}

// certificate reads by what the daemon proves itself.
func (a *assembly) certificate(t *table) {
	w := &a.fleet.Web
	for key, path := range map[string]*string{"tls_cert": &w.TLSCert, "tls_key": &w.TLSKey} {
		name := t.text(key, "")
		if name == "" {
			continue
		}
		*path = a.beside(name)
		if _, err := a.open(*path); errors.Is(err, fs.ErrNotExist) {
			t.fault(key, fmt.Sprintf("there is no file %s", *path), "name a PEM file; its path is relative to the fleet file")
		}
	}
	switch {
	case w.TLSCert != "" && w.TLSKey == "":
		t.fault("tls_cert", "a certificate without its key", "write tls_key too")
	case w.TLSKey != "" && w.TLSCert == "":
		t.fault("tls_key", "a key without its certificate", "write tls_cert too")
	}
}

// bcryptHash is how bcrypt writes a hash: version, cost, salt and sum.
var bcryptHash = regexp.MustCompile(`^\$2[aby]\$([0-9]{2})\$[./A-Za-z0-9]{53}$`)

// hexDigits are those of a SHA-256.
var hexDigits = regexp.MustCompile(`^[0-9a-f]{64}$`)

// secrets reads the hashes of users or tokens by their names. What stands there
// is never shown, because it may be the secret itself, written by mistake.
func (a *assembly) secrets(t *table, key string) map[string]string {
	below := t.sub(key)
	if below == nil {
		return nil
	}
	below.as("[web."+key+"]", "")
	problem, remedy := badUser, "make one with `fanwarden hash`"
	if key == "tokens" {
		problem, remedy = badToken, "make one with `fanwarden hash --token`"
	}
	hashes := make(map[string]string)
	for _, name := range below.keys() {
		e := below.entries[name]
		e.used = true
		hash, isText := e.value.(string)
		what := "it must be a text"
		if isText {
			what = problem(hash)
		}
		if what != "" && !e.broken() {
			below.fault(name, fmt.Sprintf("the hash of %q cannot be used: %s", name, what), remedy)
			continue
		}
		hashes[name] = hash
	}
	return hashes
}

// keys returns the keys of a table in order.
func (t *table) keys() []string {
	keys := make([]string, 0, len(t.entries))
	for key := range t.entries {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	return keys
}

func badUser(hash string) string {
	parts := bcryptHash.FindStringSubmatch(hash)
	if parts == nil {
		return "it is no bcrypt hash"
	}
	if cost, _ := strconv.Atoi(parts[1]); cost < leastCost {
		return fmt.Sprintf("it takes too little work to guess (cost %d, at least %d)", cost, leastCost)
	}
	return ""
}

func badToken(hash string) string {
	if !hexDigits.MatchString(hash) {
		return "it is no SHA-256 in 64 hex digits"
	}
	return ""
}
