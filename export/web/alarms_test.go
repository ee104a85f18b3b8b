package web

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export/internal/sample"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// asKim sends a request of somebody who is logged in. A body is sent as JSON.
func asKim(h http.Handler, method, path, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.SetBasicAuth("kim", kimsPassword)
	if method == "POST" {
		r.Header.Set("Content-Type", "application/json")
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// atDesk returns a handler that serves a desk to kim and others.
func atDesk(t testing.TB, d Desk) http.Handler {
	web := people(t)
	return handling(d, func() config.Web { return web })
}

func TestAlarmsGolden(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for name, path := range map[string]string{
		"alarms.json":  "/api/v1/alarms",
		"alarm.json":   "/api/v1/alarms/" + pinned,
		"figures.json": "/api/v1/alarms/figures",
		"journal.json": "/api/v1/journal",
	} {
		var indented bytes.Buffer
		if err := json.Indent(&indented, ask(h, "GET", path).Body.Bytes(), "", "  "); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		golden(t, name, indented.Bytes())
	}
}

// listed returns what a list of an answer says under a key.
func listed(t *testing.T, w *httptest.ResponseRecorder, list, key string) string {
	t.Helper()
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	var all []string
	for _, one := range decoded(t, w.Body.Bytes())[list].([]any) {
		text, _ := one.(map[string]any)[key].(string)
		all = append(all, text)
	}
	return strings.Join(all, " ")
}

func TestAlarmsThatAreAskedFor(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for query, want := range map[string]string{
		"":                                        "gateway_down pinned_at_max stuck_idle",
		"?state=all":                              "gateway_down pinned_at_max off_setpoint stuck_idle hunting",
		"?state=active":                           "gateway_down pinned_at_max stuck_idle",
		"?state=unacknowledged":                   "gateway_down pinned_at_max",
		"?state=acknowledged":                     "stuck_idle",
		"?state=normal":                           "off_setpoint hunting",
		"?state=returned":                         "",
		"?state=shelved":                          "gateway_down",
		"?state=suppressed":                       "off_setpoint",
		"?state=out_of_service":                   "",
		"?state=acknowledged&state=shelved":       "gateway_down stuck_idle",
		"?building=alder":                         "pinned_at_max stuck_idle",
		"?building=birch&building=alder":          "gateway_down pinned_at_max stuck_idle",
		"?building=nowhere":                       "",
		"?severity=page":                          "stuck_idle",
		"?fan=alder-ef2":                          "pinned_at_max",
		"?gateway=birch-roof&state=all":           "gateway_down off_setpoint",
		"?condition=stuck_idle&severity=ticket":   "",
		"?limit=1":                                "gateway_down",
		"?state=all&condition=hunting&limit=1000": "hunting",
	} {
		if got := listed(t, ask(h, "GET", "/api/v1/alarms"+query), "alarms", "condition"); got != want {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
	if total := decoded(t, ask(h, "GET", "/api/v1/alarms?limit=1").Body.Bytes())["total"]; total != 3.0 {
		t.Errorf("of one alarm listed, the total is %v", total)
	}
}

func TestJournalThatIsAskedFor(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for query, want := range map[string]string{
		"?limit=2":                          "shelved suppressed",
		"?who=kim":                          "shelved acknowledged",
		"?fan=alder-ef3":                    "cleared raised",
		"?building=alder&condition=hunting": "cleared raised",
		"?gateway=birch-roof&limit=1":       "shelved",
		"?alarm=" + pinned:                  "raised",
		"?to=2026-01-05T03:12:00Z":          "raised",
		"?from=2026-01-05T06:11:30Z":        "shelved",
		"?from=1767593490&to=1767593531":    "shelved", // 06:11:30 and 06:12:11 UTC
		"?from=1767593531":                  "",
	} {
		if got := listed(t, ask(h, "GET", "/api/v1/journal"+query), "entries", "what"); got != want {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
}

func TestQuestionsThatAreWrong(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for path, says := range map[string]string{
		"/api/v1/alarms?state=open":         "it may be normal, unacknowledged, acknowledged",
		"/api/v1/alarms?severity=high":      "it may be note, ticket, page",
		"/api/v1/alarms?fans=alder-ef1":     "the keys are state, building",
		"/api/v1/alarms?limit=0":            "a whole number from 1 to 10000",
		"/api/v1/alarms?limit=10001":        "a whole number from 1 to 10000",
		"/api/v1/alarms?state=%zz":          "write it as key=value",
		"/api/v1/journal?limit=many":        "a whole number from 1 to 1000",
		"/api/v1/journal?from=yesterday":    "write it as 2026-01-05T06:31:10Z",
		"/api/v1/journal?to=NaN":            "write it as 2026-01-05T06:31:10Z",
		"/api/v1/journal?to=1e300":          "write it as 2026-01-05T06:31:10Z",
		"/api/v1/alarms/figures?since=2026": "nothing that can be asked for here",
	} {
		w := ask(h, "GET", path)
		if got, _ := decoded(t, w.Body.Bytes())["error"].(string); w.Code != 400 || !strings.Contains(got, says) {
			t.Errorf("%s: %d %q, want 400 that says %q", path, w.Code, got, says)
		}
	}
}

func TestActing(t *testing.T) {
	shelved := func(d *paperDesk) string {
		a, _ := d.book.Find(pinned)
		if a.Shelf == nil {
			return "not shelved"
		}
		return a.Shelf.Who + " until " + a.Shelf.Until.UTC().Format("2006-01-02 15:04:05") + ": " + a.Shelf.Why
	}
	out := func(d *paperDesk) string {
		act, is := d.book.Out()["alder-ef2"]
		if !is {
			return "in service"
		}
		return act.Who + ": " + act.Why
	}
	known := func(d *paperDesk) string {
		a, _ := d.book.Find(pinned)
		if a.Acknowledgement == nil {
			return a.State.String()
		}
		return a.State.String() + " by " + a.Acknowledgement.Who + ": " + a.Acknowledgement.Why
	}
	const onAlarm, onFan = "/api/v1/alarms/" + pinned, "/api/v1/fans/alder-ef2"
	web, long := people(t), strings.Repeat("é", mostText)
	for name, c := range map[string]struct {
		path, body string
		status     int
		says       string // in the answer
		now        func(*paperDesk) string
		want       string
	}{
		"acknowledge":            {onAlarm + "/acknowledge", `{"note": "on my way"}`, 200, `"state":"acknowledged"`, known, "acknowledged by kim: on my way"},
		"without a note":         {onAlarm + "/acknowledge", ``, 200, `"who":"kim"`, known, "acknowledged by kim: "},
		"note of control marks":  {onAlarm + "/acknowledge", `{"note": " a\nb\u202e "}`, 200, "", known, "acknowledged by kim: a b"},
		"longest note":           {onAlarm + "/acknowledge", `{"note": "` + long + `"}`, 200, "", known, "acknowledged by kim: " + long},
		"note too long":          {onAlarm + "/acknowledge", `{"note": "` + long + `e"}`, 400, "more than 500 characters", known, "unacknowledged"},
		"somebody else's name":   {onAlarm + "/acknowledge", `{"who": "lee"}`, 400, `unknown field \"who\"`, known, "unacknowledged"},
		"no such alarm":          {"/api/v1/alarms/x/acknowledge", `{}`, 404, "there is no alarm", known, "unacknowledged"},
		"a list":                 {onAlarm + "/acknowledge", `[]`, 400, "must be a JSON object", known, "unacknowledged"},
		"null":                   {onAlarm + "/acknowledge", `null`, 400, "must be a JSON object", known, "unacknowledged"},
		"cut off":                {onAlarm + "/acknowledge", `{"note": "on`, 400, "cannot be used", known, "unacknowledged"},
		"two objects":            {onAlarm + "/acknowledge", `{} {}`, 400, "one object only", known, "unacknowledged"},
		"another kind":           {onAlarm + "/acknowledge", `{"note": 5}`, 400, "cannot be used", known, "unacknowledged"},
		"huge":                   {onAlarm + "/acknowledge", `{"note": "` + strings.Repeat("x", mostBody) + `"}`, 413, "more than 8192 bytes", known, "unacknowledged"},
		"shelve for hours":       {onAlarm + "/shelve", `{"for": "8h", "reason": "belt on order"}`, 200, `"quiet":true`, shelved, "kim until 2026-01-05 14:31:10: belt on order"},
		"shelve for days":        {onAlarm + "/shelve", `{"for": "7 d", "reason": "r"}`, 200, "", shelved, "kim until 2026-01-12 06:31:10: r"},
		"shelve for seconds":     {onAlarm + "/shelve", `{"for": 90, "reason": "r"}`, 200, "", shelved, "kim until 2026-01-05 06:32:40: r"},
		"shelve until":           {onAlarm + "/shelve", `{"until": "2026-01-05T08:00:00+01:00", "reason": "r"}`, 200, `"until":"2026-01-05T07:00:00Z"`, shelved, "kim until 2026-01-05 07:00:00: r"},
		"shelve until Unix time": {onAlarm + "/shelve", `{"until": 1767596400, "reason": "r"}`, 200, "", shelved, "kim until 2026-01-05 07:00:00: r"},
		"shelve both":            {onAlarm + "/shelve", `{"until": 1767596400, "for": "8h", "reason": "r"}`, 400, "by one of", shelved, "not shelved"},
		"shelve neither":         {onAlarm + "/shelve", `{"reason": "r"}`, 400, "by one of", shelved, "not shelved"},
		"shelve without reason":  {onAlarm + "/shelve", `{"for": "8h"}`, 400, "say why", shelved, "not shelved"},
		"shelve, blank reason":   {onAlarm + "/shelve", `{"for": "8h", "reason": " \t"}`, 400, "say why", shelved, "not shelved"},
		"shelve too long":        {onAlarm + "/shelve", `{"for": "169h", "reason": "r"}`, 400, "up to 7 days", shelved, "not shelved"},
		"shelve until too late":  {onAlarm + "/shelve", `{"until": "2026-01-13T06:31:10Z", "reason": "r"}`, 400, "up to 7 days; give an earlier", shelved, "not shelved"},
		"shelve into the past":   {onAlarm + "/shelve", `{"until": "2026-01-05T06:31:10Z", "reason": "r"}`, 400, "from now on", shelved, "not shelved"},
		"shelve for no time":     {onAlarm + "/shelve", `{"for": "-8h", "reason": "r"}`, 400, "above 0", shelved, "not shelved"},
		"shelve for nothing":     {onAlarm + "/shelve", `{"for": "a while", "reason": "r"}`, 400, "above 0", shelved, "not shelved"},
		"shelve for ever":        {onAlarm + "/shelve", `{"for": 1e300, "reason": "r"}`, 400, "above 0", shelved, "not shelved"},
		"shelve until a word":    {onAlarm + "/shelve", `{"until": "Monday", "reason": "r"}`, 400, "is no time", shelved, "not shelved"},
		"shelve until an object": {onAlarm + "/shelve", `{"until": {}, "reason": "r"}`, 400, "a text or a number", shelved, "not shelved"},
		"unshelve":               {"/api/v1/alarms/" + deadGate + "/unshelve", `{}`, 200, `"shelf":null`, shelved, "not shelved"},
		"unshelve with words":    {"/api/v1/alarms/" + deadGate + "/unshelve", `{"reason": "r"}`, 400, "unknown field", shelved, "not shelved"},
		"out of service":         {onFan + "/out_of_service", `{"reason": "motor"}`, 200, `"out_of_service":true,"who":"kim","reason":"motor"`, out, "kim: motor"},
		"out without reason":     {onFan + "/out_of_service", `{}`, 400, "say why", out, "in service"},
		"no such fan":            {"/api/v1/fans/x/out_of_service", `{"reason": "motor"}`, 404, "there is no fan", out, "in service"},
		"into service":           {onFan + "/in_service", `{}`, 200, `"out_of_service":false,"who":"kim"`, out, "in service"},
	} {
		d := newDesk(t)
		w := asKim(handling(d, func() config.Web { return web }), "POST", c.path, c.body)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d %s, want %d that says %s", name, w.Code, w.Body, c.status, c.says)
		}
		if got := c.now(d); got != c.want {
			t.Errorf("%s: then %q, want %q", name, got, c.want)
		}
		if _, told := decoded(t, w.Body.Bytes())["error"]; told != (c.status != 200) {
			t.Errorf("%s: %s", name, w.Body)
		}
	}
}

func TestIntoServiceAgain(t *testing.T) {
	d := newDesk(t)
	h := atDesk(t, d)
	asKim(h, "POST", "/api/v1/fans/alder-ef2/out_of_service", `{"reason": "motor"}`)
	if got := listed(t, ask(h, "GET", "/api/v1/alarms?state=out_of_service"), "alarms", "fan"); got != "alder-ef2" {
		t.Errorf("alarms of fans out of service: %q", got)
	}
	asKim(h, "POST", "/api/v1/fans/alder-ef2/in_service", `{}`)
	if _, is := d.book.Out()["alder-ef2"]; is {
		t.Error("the fan is still out of service")
	}
	if got := listed(t, ask(h, "GET", "/api/v1/journal?who=kim&limit=2&fan=alder-ef2"), "entries", "what"); got != "put into service put into service" {
		t.Errorf("journal: %q", got)
	}
}

// What says that it is no JSON could come from a form of any site.
func TestOnlyJSONIsTaken(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for kind, status := range map[string]int{"": 415, "text/plain": 415, "application/x-www-form-urlencoded": 415,
		"multipart/form-data; boundary=x": 415, "application/json-seq": 415, "application/json;": 200, ";": 415,
		"application/json": 200, "Application/JSON; charset=utf-8": 200} {
		r := httptest.NewRequest("POST", "/api/v1/alarms/"+pinned+"/acknowledge", strings.NewReader("{}"))
		r.SetBasicAuth("kim", kimsPassword)
		r.Header.Set("Content-Type", kind)
		w := httptest.NewRecorder()
		if h.ServeHTTP(w, r); w.Code != status {
			t.Errorf("%q: %d, want %d: %s", kind, w.Code, status, w.Body)
		}
	}
}

func TestADeskThatFails(t *testing.T) {
	d := newDesk(t)
	d.broken = errDisk
	h := atDesk(t, d)
	for _, c := range []struct {
		w      *httptest.ResponseRecorder
		status int
		says   string
	}{
		{asKim(h, "GET", "/api/v1/journal", ""), 503, "the journal cannot be read: the disk is on fire; look at the disk"},
		{asKim(h, "POST", "/api/v1/alarms/"+pinned+"/acknowledge", "{}"), 500, "it was not done: the disk is on fire"},
		{asKim(h, "POST", "/api/v1/fans/alder-ef2/out_of_service", `{"reason": "r"}`), 500, "it was not done: the disk is on fire"},
		{asKim(h, "GET", "/api/v1/backup", ""), 503, "no copy was made: the disk is on fire"},
	} {
		if got, _ := decoded(t, c.w.Body.Bytes())["error"].(string); c.w.Code != c.status || !strings.Contains(got, c.says) {
			t.Errorf("%d %q, want %d that says %q", c.w.Code, got, c.status, c.says)
		}
	}
}

// What is done while the store is down counts, and its answer says that it is not on
// disk; that of a look does not.
func TestActingOnADeskWithoutItsDisk(t *testing.T) {
	desk := newDesk(t)
	desk.unkept = "the store is down"
	h := atDesk(t, desk)
	const says = `"not_kept":"the store is down"`
	for path, body := range map[string]string{act: `{}`, "/api/v1/fans/alder-ef2/out_of_service": `{"reason": "r"}`} {
		if w := asKim(h, "POST", path, body); w.Code != 200 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if w := ask(h, "GET", "/api/v1/alarms/"+stuck); w.Code != 200 || strings.Contains(w.Body.String(), "not_kept") {
		t.Errorf("a look: %d %s", w.Code, w.Body)
	}
}

func TestWithoutADesk(t *testing.T) {
	h := atDesk(t, nil)
	for _, r := range (&site{}).alarmRoutes() {
		method, path, _ := strings.Cut(strings.ReplaceAll(r.pattern, "{id}", "x"), " ")
		w := asKim(h, method, path, "{}")
		if got, _ := decoded(t, w.Body.Bytes())["error"].(string); w.Code != 503 || !strings.Contains(got, "handles no alarms") {
			t.Errorf("%s: %d %q", r.pattern, w.Code, got)
		}
	}
}

func TestBackup(t *testing.T) {
	d := newDesk(t)
	d.copied = []byte("all that is kept")
	w := asKim(atDesk(t, d), "GET", "/api/v1/backup", "")
	if w.Code != 200 || w.Body.String() != "all that is kept" || w.Header().Get("Content-Type") != "application/octet-stream" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename="fanwarden-20260105T063110Z.db"` {
		t.Errorf("it is called %s", got)
	}
}

// A copy that breaks off must not look like a whole one.
func TestBackupThatBreaksOff(t *testing.T) {
	d := newDesk(t)
	d.copied, d.broken = []byte("all that"), errDisk
	defer func() {
		if recover() != http.ErrAbortHandler {
			t.Error("the connection is not ended")
		}
	}()
	asKim(atDesk(t, d), "GET", "/api/v1/backup", "")
}

// slowDesk holds a copy until it is let go.
type slowDesk struct {
	*paperDesk
	began, end chan struct{}
}

func (d slowDesk) Backup(w io.Writer) error {
	close(d.began)
	<-d.end
	_, err := w.Write([]byte("slow"))
	return err
}

func TestOneBackupAtATime(t *testing.T) {
	d := slowDesk{newDesk(t), make(chan struct{}), make(chan struct{})}
	h := atDesk(t, d)
	first := make(chan *httptest.ResponseRecorder)
	go func() { first <- asKim(h, "GET", "/api/v1/backup", "") }()
	<-d.began
	if w := asKim(h, "GET", "/api/v1/backup", ""); w.Code != 503 || w.Header().Get("Retry-After") != "10" {
		t.Errorf("the second: %d %s", w.Code, w.Body)
	}
	close(d.end)
	if w := <-first; w.Code != 200 || w.Body.String() != "slow" {
		t.Errorf("the first: %d %s", w.Code, w.Body)
	}
}

// A number that JSON cannot carry must not take the list of alarms with it.
func TestAlarmWithANumberThatIsNone(t *testing.T) {
	zero := 0.0
	a := alarm.Alarm{ID: "x", Shelf: &alarm.Shelf{Until: sample.Now().Add(time.Hour)}}
	a.Evidence = []condition.Number{{Name: "speed", Value: zero / zero}}
	d := &paperDesk{book: alarm.NewBook([]alarm.Alarm{a}, nil)}
	if got := listed(t, ask(atDesk(t, d), "GET", "/api/v1/alarms"), "alarms", "id"); got != "x" {
		t.Errorf("listed %q", got)
	}
}
