package config

import (
	"crypto/x509"
	"fmt"
	"maps"
	"net"
	"net/mail"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Notify is how alarms leave the building.
type Notify struct {
	Ways      []*Way     // [[notify.ways]], in the order of the file
	Heartbeat *Heartbeat // nil: none
	// Runbooks is where the runbooks can be read: the beginning of links, without
	// a slash at its end; "" where there are no links.
	Runbooks string
}

// Way is one way out of the building for messages: a webhook or e-mail.
type Way struct {
	ID string // unique

	// Webhook is the http or https url that takes signed JSON by POST; "" for
	// e-mail.
	Webhook string
	Secret  []byte // signs what is sent there; nil: not signed

	// Mail is how e-mail is sent; nil for a webhook.
	Mail *Mail

	// Roots are the authorities that the receiver's certificate may come from; nil:
	// those of the machine.
	Roots *x509.CertPool

	// What goes this way.
	Severities []condition.Severity // default: page
	Buildings  []reading.BuildingID // none: all
	Hours      []Hours              // none: always
	Returned   bool                 // also when it is over; default true

	line int
}

// Mail is how e-mail is sent.
type Mail struct {
	Server   string // host:port; default port 587
	From     string
	To       []string
	StartTLS bool // default true; without it only to a server on this machine
	User     string
	Password string // "" without a user
}

// Heartbeat is a url that is called as long as the daemon lives, so that its
// silence is noticed elsewhere.
type Heartbeat struct {
	URL   string
	Every time.Duration // default 1 min, at least 10 s
}

const (
	defaultHeartbeat = time.Minute
	leastHeartbeat   = 10 * time.Second
	submissionPort   = "587" // RFC 6409, section 3.1
)

func (a *assembly) notify(t *table) {
	n := &a.fleet.Notify
	n.Runbooks = t.site("runbooks")
	every := t.duration("heartbeat_every", defaultHeartbeat, leastHeartbeat)
	if called := t.address("heartbeat"); called != "" {
		n.Heartbeat = &Heartbeat{called, every}
	} else if t.has("heartbeat_every") && !t.has("heartbeat") {
		t.fault("heartbeat_every", "nothing is called so often", "write heartbeat too: the url that notices when the daemon falls silent")
	}
	ways := make(names[*Way])
	for _, below := range t.subs("ways") {
		a.way(below, ways)
	}
	t.finish()
}

func (a *assembly) way(t *table, ways names[*Way]) {
	t.as("[[notify.ways]]", "")
	w := &Way{ID: t.id("way"), line: t.line}
	w.Webhook = t.address("webhook")
	w.Secret = a.secret(t, "secret_file")
	if t.has("to") {
		w.Mail = a.mail(t)
	} else {
		t.know("to")
		t.onlyMail()
	}
	switch {
	case t.has("webhook") && w.Mail != nil:
		t.fault("to", "one way is a webhook or e-mail, not both", "write a [[notify.ways]] for each")
	case !t.has("webhook") && w.Mail == nil:
		t.fault("", "nobody is told by it", `write webhook = "https://...", or to = ["somebody@..."] with from and smtp`)
	case t.has("secret_file") && w.Mail != nil:
		t.fault("secret_file", "e-mail is not signed", "remove it; password_file is what logs in to the mail server")
	}
	w.Roots = a.roots(t, "ca_file")
	w.Severities = t.severities("severities", condition.Page)
	for _, id := range t.words("buildings") {
		if _, known := a.buildings[id]; !known {
			t.fault("buildings", fmt.Sprintf("there is no building %q", id), Meant(id, slices.Sorted(maps.Keys(a.buildings))))
		}
		w.Buildings = append(w.Buildings, reading.BuildingID(id))
	}
	w.Hours = t.hours("hours")
	w.Returned = t.boolean("returned", true)
	t.finish()
	if register(t, ways, "way", w.ID, w) {
		a.fleet.Notify.Ways = append(a.fleet.Notify.Ways, w)
	}
}

// onlyMail reports the keys of e-mail at a way that is none.
func (t *table) onlyMail() {
	for _, key := range []string{"from", "smtp", "user", "password_file", "starttls"} {
		t.know(key)
		if e, found := t.entries[key]; found {
			e.used = true
			t.fault(key, fmt.Sprintf("%q is for e-mail", key), `write to = ["somebody@..."] too, or remove it`)
		}
	}
}

func (a *assembly) mail(t *table) *Mail {
	m := &Mail{To: t.words("to"), From: t.text("from", ""), Server: t.text("smtp", ""), User: t.text("user", ""),
		StartTLS: t.boolean("starttls", true)}
	if list, isList := t.entries["to"].value.([]any); isList && len(list) == 0 {
		t.fault("to", "there is nobody to write to", `write to = ["somebody@example.edu"]`)
	}
	for _, to := range m.To {
		t.mailbox("to", to)
	}
	if t.require("from", `write the sender's address, as in from = "fanwarden@example.edu"`) {
		t.mailbox("from", m.From)
	}
	if t.require("smtp", `name the mail server, as in smtp = "mail.example.edu:587"`) {
		m.Server = t.mailServer(m.Server)
	}
	m.Password = string(a.secret(t, "password_file"))
	if (m.User == "") != (m.Password == "") && !(t.has("password_file") && m.Password == "") {
		t.fault(t.first("user", "password_file"), "user and password_file belong together", "write both, or neither")
	}
	if host, _, err := net.SplitHostPort(m.Server); err == nil && !m.StartTLS && !thisMachine(host) {
		t.fault("starttls", "messages and passwords would go to another machine in the clear", "remove starttls = false")
	}
	return m
}

// first is the first of some keys that is given.
func (t *table) first(keys ...string) string {
	for _, key := range keys {
		if t.has(key) {
			return key
		}
	}
	return ""
}

// thisMachine reports whether a host is this machine by its name.
func thisMachine(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// mailServer reads a mail server and completes its port.
func (t *table) mailServer(text string) string {
	if host, port, err := net.SplitHostPort(text); err == nil {
		if n, err := strconv.Atoi(port); host != "" && err == nil && n > 0 && n < 65536 {
			return text
		}
	} else if text != "" && !strings.ContainsAny(text, ":/@ ") {
		return net.JoinHostPort(text, submissionPort)
	}
	t.fault("smtp", fmt.Sprintf("%q is no mail server", text), `write HOST:PORT, as in "mail.example.edu:587"`)
	return ""
}

func (t *table) mailbox(key, text string) {
	if a, err := mail.ParseAddress(text); err != nil || a.Name != "" || a.Address != text {
		t.fault(key, fmt.Sprintf("%q is no e-mail address", text), `write it bare, as in "roofs@example.edu"`)
	}
}

// address reads a url that is called.
func (t *table) address(key string) string {
	text := t.text(key, "")
	if text == "" {
		if e, found := t.entries[key]; found && e.value == any("") {
			t.fault(key, fmt.Sprintf("%q is empty", key), `write a url, as in "https://hooks.example.edu/fans", or remove it`)
		}
		return ""
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.Fragment != "" {
		t.fault(key, fmt.Sprintf("%q is no url that can be called", text), `write it as in "https://hooks.example.edu/fans"`)
		return ""
	}
	return text
}

// secret reads what stands in a file of its own, without the line end.
func (a *assembly) secret(t *table, key string) []byte {
	name := t.text(key, "")
	if name == "" {
		return nil
	}
	text, err := a.open(a.beside(name))
	if err != nil {
		t.fault(key, fmt.Sprintf("the file %s cannot be read: %v", a.beside(name), err), "name a file that the daemon may read; its path is relative to the fleet file")
		return nil
	}
	secret := []byte(strings.TrimRight(string(text), "\r\n"))
	if len(secret) == 0 {
		t.fault(key, fmt.Sprintf("the file %s is empty", a.beside(name)), "write the secret into it, on one line")
	}
	return secret
}

// roots reads the certificates of authorities.
func (a *assembly) roots(t *table, key string) *x509.CertPool {
	text := a.secret(t, key)
	if text == nil {
		return nil
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		t.fault(key, "there is no certificate in the file", "name a PEM file of the authority that signed the receiver's certificate")
	}
	return pool
}

// words reads a list of texts, or one text.
func (t *table) words(key string) []string {
	e := t.take(key)
	if e == nil {
		return nil
	}
	list, isList := e.value.([]any)
	if one, isText := e.value.(string); isText {
		list, isList = []any{one}, true
	}
	words := make([]string, 0, len(list))
	for _, one := range list {
		word, isText := one.(string)
		isList = isList && isText
		words = append(words, word)
	}
	if !isList {
		t.fault(key, fmt.Sprintf("%q must be a list of texts", key), fmt.Sprintf(`write %s = ["...", "..."]`, key))
		return nil
	}
	return words
}

// severities reads a list of severities.
func (t *table) severities(key string, def ...condition.Severity) []condition.Severity {
	if !t.has(key) {
		t.know(key)
		return def
	}
	var all []condition.Severity
	for _, word := range t.words(key) {
		var s condition.Severity
		if s.UnmarshalText([]byte(word)) != nil {
			t.fault(key, fmt.Sprintf("%q is no severity", word), Meant(word, []string{"page", "ticket", "note"}))
			continue
		}
		if !slices.Contains(all, s) {
			all = append(all, s)
		}
	}
	return all
}
