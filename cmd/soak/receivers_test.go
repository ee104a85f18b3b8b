package main

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"fanwarden/export/notify"
)

// post posts a message as the daemon does, or forged.
func (r *receivers) post(t *testing.T, way string, m notify.Message, key string) int {
	t.Helper()
	body, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	request, err := http.NewRequest(http.MethodPost, r.url+"/way/"+way, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, []byte(key))
	fmt.Fprintf(mac, "%s.1.%s", m.ID, body)
	request.Header.Set("X-Fanwarden-Id", m.ID)
	request.Header.Set("X-Fanwarden-Time", "1")
	request.Header.Set("X-Fanwarden-Signature", "sha256="+hex.EncodeToString(mac.Sum(nil)))
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return 0
	}
	answer.Body.Close()
	return answer.StatusCode
}

func TestReceivers(t *testing.T) {
	var wrong []string
	r, err := openReceivers(func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) })
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	about := func(id, text, alarm string) notify.Message {
		return notify.Message{ID: id, Text: text, Alarms: []notify.About{{ID: alarm, Change: notify.Raised, Building: notify.Place{ID: "g01"}}}}
	}
	r.set(refuse)
	if code := r.post(t, "g01", about("a", "x", "one"), secret); code != http.StatusServiceUnavailable {
		t.Errorf("who refuses answers %d", code)
	}
	r.set(breaks)
	if code := r.post(t, "g01", about("a", "x", "one"), secret); code != 0 {
		t.Errorf("who breaks answers %d", code)
	}
	if raised, _ := r.heard("one"); raised {
		t.Error("what was refused counts as heard")
	}
	r.set(taking)
	for range 2 {
		if code := r.post(t, "g01", about("a", "x", "one"), secret); code != http.StatusOK {
			t.Errorf("who takes answers %d", code)
		}
	}
	if raised, over := r.heard("one"); !raised || over || len(wrong) > 0 || r.again != 1 {
		t.Errorf("raised %v, over %v, %d came again; wrong: %q", raised, over, r.again, wrong)
	}
	r.post(t, "g01", about("a", "y", "one"), secret)
	r.post(t, "g02", about("b", "x", "two"), secret)
	r.post(t, "g01", about("c", "x", "three"), "another key")
	for i, want := range []string{"another text", "the way of g02", "not signed"} {
		if i >= len(wrong) || !strings.Contains(wrong[i], want) {
			t.Errorf("found %q, want %q", wrong, want)
		}
	}
}
