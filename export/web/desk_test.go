package web

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// paperDesk keeps a real book of alarms, and a journal in memory.
type paperDesk struct {
	book    *alarm.Book
	entries []alarm.Entry
	broken  error  // of the journal and of acting
	unkept  string // why nothing comes to disk
	copied  []byte // what a backup brings, before broken
}

// ids of the alarms of the paper desk.
const (
	pinned   = "pinned_at_max-alder-ef2-20260105T060810.000Z"
	stuck    = "stuck_idle-alder-ef1-20260105T042110.000Z"
	deadGate = "gateway_down-birch-roof-20260105T061110.000Z"
)

// newDesk has three alarms that stand: a ticket at which nobody has looked, a
// page that kim has acknowledged, and a gateway's own on the shelf; one is over
// and known, one is suppressed.
func newDesk(t testing.TB) *paperDesk {
	t.Helper()
	d := &paperDesk{book: alarm.NewBook(nil, nil)}
	at := func(ago time.Duration) time.Time { return sample.Now().Add(-ago) }
	raise := func(ago time.Duration, building reading.BuildingID, gateway reading.GatewayID, fan reading.FanID, name condition.Name, severity condition.Severity) {
		d.note(d.book.Take(&condition.Transition{Time: at(ago), Building: building, Gateway: gateway, Fan: fan, Condition: name,
			Change: condition.Raised, Severity: severity, Finding: condition.Finding{Summary: "Something is wrong.",
				Evidence: []condition.Number{{Name: "pressure_pa", Value: -12}},
				Causes:   []condition.Cause{{What: "A door is open.", Speaks: "It came as a step.", Check: "Close it."}}}}), nil)
	}
	clear := func(ago time.Duration, gateway reading.GatewayID, fan reading.FanID, name condition.Name, reason condition.Reason, by condition.Name) {
		d.note(d.book.Take(&condition.Transition{Time: at(ago), Gateway: gateway, Fan: fan, Condition: name, Change: condition.Cleared,
			Reason: reason, SilencedBy: by}), nil)
	}
	raise(200*time.Minute, "alder", "alder-roof", "alder-ef3", condition.Hunting, condition.Note)
	raise(130*time.Minute, "alder", "alder-roof", "alder-ef1", condition.StuckIdle, condition.Page)
	raise(50*time.Minute, "birch", "birch-roof", "birch-ef1", condition.OffSetpoint, condition.Ticket)
	d.note(d.book.Acknowledge(alarm.ID(stuck), "kim", "on my way", at(120*time.Minute)))
	clear(100*time.Minute, "alder-roof", "alder-ef3", condition.Hunting, condition.Disarmed, "")
	raise(23*time.Minute, "alder", "alder-roof", "alder-ef2", condition.PinnedAtMax, condition.Ticket)
	raise(20*time.Minute, "birch", "birch-roof", "", condition.GatewayDown, condition.Ticket)
	clear(20*time.Minute, "birch-roof", "birch-ef1", condition.OffSetpoint, condition.Silenced, condition.GatewayDown)
	d.note(d.book.Shelve(alarm.ID(deadGate), "kim", "switch on order", at(-8*time.Hour), at(19*time.Minute)))
	if n := len(d.entries); n != 9 {
		t.Fatalf("the paper desk has %d entries", n)
	}
	return d
}

func (d *paperDesk) note(entries []alarm.Entry, err error) error {
	if d.broken != nil {
		return d.broken
	}
	d.entries = append(d.entries, entries...)
	return err
}

func (d *paperDesk) Alarms() []alarm.Alarm                 { return d.book.All() }
func (d *paperDesk) Alarm(id alarm.ID) (alarm.Alarm, bool) { return d.book.Find(id) }
func (d *paperDesk) Figures() alarm.Figures                { return d.book.Figures(sample.Now()) }

func (d *paperDesk) Baseline(fan reading.FanID) (condition.Baseline, bool) {
	b := condition.Baseline{Time: sample.Now().Add(-24 * time.Hour), Settings: map[reading.Point]float64{reading.RunOn: 90, reading.MinSpeed: 0.2}}
	return b, fan == "alder-ef1"
}

func (d *paperDesk) Unkept() string { return d.unkept }

func (d *paperDesk) Revision() uint64 { return uint64(len(d.entries)) }

func (d *paperDesk) Out() map[reading.FanID]alarm.Act { return d.book.Out() }

func (d *paperDesk) Journal(n int, want func(*alarm.Entry) bool) ([]alarm.Entry, error) {
	var found []alarm.Entry
	for i := len(d.entries) - 1; i >= 0 && len(found) < n; i-- {
		if want(&d.entries[i]) {
			found = append(found, d.entries[i])
		}
	}
	return found, d.broken
}

func (d *paperDesk) JournalOf(fan reading.FanID, yield func(*alarm.Entry) bool) error {
	for _, e := range slices.Backward(d.entries) {
		if e.Of() == fan && !yield(&e) {
			break
		}
	}
	return d.broken
}

func (d *paperDesk) JournalBack(yield func(*alarm.Entry) bool) error {
	for _, e := range slices.Backward(d.entries) {
		if !yield(&e) {
			break
		}
	}
	return d.broken
}

func (d *paperDesk) Acknowledge(id alarm.ID, who, note string) error {
	return d.note(d.book.Acknowledge(id, who, note, sample.Now()))
}

func (d *paperDesk) Shelve(id alarm.ID, who, reason string, until time.Time) error {
	return d.note(d.book.Shelve(id, who, reason, until, sample.Now()))
}

func (d *paperDesk) Unshelve(id alarm.ID, who string) error {
	return d.note(d.book.Unshelve(id, who, sample.Now()))
}

func (d *paperDesk) TakeOut(fan reading.FanID, who, reason string) error {
	return d.note(d.book.TakeOut(fan, who, reason, sample.Now()))
}

func (d *paperDesk) PutIn(fan reading.FanID, who string) error {
	return d.note(d.book.PutIn(fan, who, sample.Now()))
}

func (d *paperDesk) Backup(w io.Writer) error {
	for piece := range slices.Chunk(d.copied, 4) {
		if _, err := w.Write(piece); err != nil {
			return err
		}
	}
	return d.broken
}

var errDisk = errors.New("the disk is on fire")

// What the people and machines of the tests log in with.
const (
	kimsPassword = "correct horse"
	token        = "c2a9f7d1"
	// tokenSum is the token's SHA-256, made with sha256sum.
	tokenSum = "f79ffd563656056f6c6a8e85db51291fef9a175bb64696816c6e749dbf7e3243"
)

// hashed returns the bcrypt hash of a password, at the least cost that the
// library takes, so that tests are quick.
func hashed(t testing.TB, password string) string {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return string(hash)
}

// people returns who may log in: kim, lee and a machine.
func people(t testing.TB) config.Web {
	return config.Web{Users: map[string]string{"kim": hashed(t, kimsPassword), "lee": hashed(t, "battery staple")},
		Tokens: map[string]string{"tickets": tokenSum}}
}

// handling returns a handler of a desk for those people.
func handling(desk Desk, access func() config.Web) http.Handler {
	full := sample.Campus()
	full.Ready = true
	return Handler(Options{Snapshot: func() *export.Snapshot { return full }, Now: sample.Now,
		Metrics: http.HandlerFunc(metricsOf), Desk: desk, History: paperHistory{}, Access: access})
}

// withToken sends a body as a machine does.
func withToken(d *paperDesk, tokens map[string]string, path, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer "+token)
	return answered(handling(d, func() config.Web { return config.Web{Tokens: tokens} }), r)
}

func answered(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func pathAndQuery(path, query string) *url.URL { return &url.URL{Path: path, RawQuery: query} }
