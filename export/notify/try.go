package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/rules/journal"
)

// Test is a message that says that nothing is wrong.
const Test Kind = "test"

// tryTime is how long somebody waits who tries a way by hand.
const tryTime = 30 * time.Second

// Try sends a message that says that nothing is wrong by one way, whatever its
// hours, and returns why it was not taken.
func Try(ctx context.Context, fleet *config.Fleet, w *config.Way, version string) error {
	now := time.Now()
	m := Message{ID: fmt.Sprintf("test-%d", now.UnixMilli()), Kind: Test, Time: now.UTC(), Site: fleet.Name, Severity: "note",
		Title: "Test of fanwarden: nothing is wrong", Link: fleet.Web.URL, Alarms: []About{}}
	m.Text = fmt.Sprintf("%s\n\nSomebody tries the way %q at %s. Alarms of %s will come here.\n", m.Title, w.ID,
		now.In(fleet.Location).Format("Mon 2 Jan 15:04 MST"), or(fleet.Name, "the fleet"))
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	sent := journal.Message{ID: w.ID + "/" + m.ID, Way: w.ID, Made: now, Body: body}
	if w.Mail == nil {
		return newSender(version, zap.NewNop()).send(ctx, w, &sent)
	}
	refused, err := sendMail(ctx, w, &sent, "fanwarden/"+version)
	if err == nil && len(refused) > 0 {
		err = fmt.Errorf("the mail server refuses %v for good; the others have it", refused)
	}
	return err
}

func or(text, other string) string {
	if text != "" {
		return text
	}
	return other
}
