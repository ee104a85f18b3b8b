package daemon

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// TestAHundredKills kills a desk at any instant, a hundred times, while alarms
// come and go and people acknowledge them. What it has told is not lost: no
// alarm, no acknowledgement, and no message that was not delivered.
func TestAHundredKills(t *testing.T) {
	const folder = "DESK_TO_KILL"
	if dir := os.Getenv(folder); dir != "" {
		busyDesk(dir)
		return
	}
	kills := 100
	if testing.Short() {
		kills = 10
	}
	dir := t.TempDir()
	told := make(map[string]map[string]bool) // what happened: ids
	for n := range kills {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestAHundredKills$")
		cmd.Env = append(os.Environ(), folder+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for i := 0; lines.Scan(); i++ {
			if what, id, whole := strings.Cut(lines.Text(), " "); whole && strings.HasSuffix(id, ".") {
				if told[what] == nil {
					told[what] = make(map[string]bool)
				}
				told[what][strings.TrimSuffix(id, ".")] = true
			}
			if i == 1+n%23 { // what it writes in the meantime is told, or not: the pipe is read to its end
				cmd.Process.Signal(syscall.SIGKILL)
			}
		}
		cmd.Wait()
	}
	d := newDesk(dir, zap.NewNop(), time.Now)
	defer d.close()
	pending := make(map[string]bool)
	for _, m := range d.Due(time.Now().Add(time.Hour)) {
		pending[m.ID] = true
	}
	for id := range told["raised"] {
		if _, found := d.Alarm(alarm.ID(id)); !found {
			t.Errorf("the alarm %s is lost", id)
		}
		if !told["delivered"]["m-"+id] && !pending["m-"+id] {
			t.Errorf("the message about %s is lost", id)
		}
	}
	for id := range told["acknowledged"] {
		if a, _ := d.Alarm(alarm.ID(id)); a.Acknowledgement == nil || a.Acknowledgement.Who != "kim" {
			t.Errorf("the acknowledgement of %s is lost: %+v", id, a)
		}
	}
	if len(told["raised"]) < kills || len(told["acknowledged"]) < kills/4 || len(told["delivered"]) < kills/8 {
		t.Errorf("only %d raised, %d acknowledged, %d delivered", len(told["raised"]), len(told["acknowledged"]), len(told["delivered"]))
	}
	t.Logf("%d raised, %d acknowledged, %d delivered over %d kills", len(told["raised"]), len(told["acknowledged"]), len(told["delivered"]), kills)
}

// busyDesk raises, acknowledges, delivers and clears for ever, and says of each
// that it is done once it is. A line ends with a dot, so that a cut one is known.
func busyDesk(dir string) {
	d := newDesk(dir, zap.NewNop(), time.Now)
	d.drafts = func(entries []alarm.Entry) (messages []journal.Message) {
		for _, e := range entries {
			if e.What == alarm.WasRaised {
				messages = append(messages, journal.Message{ID: "m-" + string(e.Alarm.ID), Way: "pager", Made: e.Time})
			}
		}
		return messages
	}
	say := func(what, id string) { os.Stdout.WriteString(what + " " + id + ".\n") }
	for n := 0; ; n++ {
		fan := reading.FanID(fmt.Sprintf("ef%d-%d", os.Getpid(), n))
		change := condition.Transition{Time: time.Now(), Gateway: "roof", Fan: fan, Condition: condition.PinnedAtMax, Change: condition.Raised}
		d.take([]condition.Transition{change})
		id := idOfLast(d, fan)
		say("raised", id)
		if n%2 == 0 && d.Acknowledge(alarm.ID(id), "kim", "on my way") == nil {
			say("acknowledged", id)
		}
		if n%3 == 0 {
			say("delivered", "m-"+id) // and the note of it may be lost: then it is delivered twice
			d.Replace([]string{"m-" + id}, nil)
		}
		if n%4 == 0 {
			change.Change, change.Reason, change.Time = condition.Cleared, condition.Recovered, time.Now()
			d.take([]condition.Transition{change})
		}
	}
}

// idOfLast is the id of a fan's only alarm.
func idOfLast(d *desk, fan reading.FanID) string {
	for _, a := range d.Alarms() {
		if a.Fan == fan {
			return string(a.ID)
		}
	}
	return ""
}
