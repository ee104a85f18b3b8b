package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export/notify"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// receiver is a webhook that outlives the desks, and notes what it was told of
// each alarm. Every third time it is out of order, until it is well.
type receiver struct {
	*httptest.Server
	mu       sync.Mutex
	requests int
	well     bool
	told     map[string]int // "raised ID": times
	texts    map[string]string
}

func newReceiver() *receiver {
	r := &receiver{told: make(map[string]int), texts: make(map[string]string)}
	r.Server = httptest.NewServer(r)
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, request *http.Request) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var m notify.Message
	if r.requests++; !r.well && r.requests%3 == 0 || json.NewDecoder(request.Body).Decode(&m) != nil {
		http.Error(w, "out of order", http.StatusServiceUnavailable)
		return
	}
	if text, known := r.texts[m.ID]; known && text != m.Text {
		r.told["another text of the id "+m.ID]++
	}
	r.texts[m.ID] = m.Text
	for _, a := range m.Alarms {
		r.told[string(a.Change)+" "+a.ID]++
	}
}

// fleetOf is a fleet with one way out, which leads to a receiver.
func fleetOf(dir, url string) *config.Fleet {
	return &config.Fleet{Location: time.UTC, Store: config.Store{Dir: dir}, Notify: config.Notify{Ways: []*config.Way{
		{ID: "pager", Webhook: url, Returned: true, Severities: []condition.Severity{condition.Note}}}}}
}

// TestAHundredKills kills a desk and its courier at any instant, a hundred times,
// while alarms come and go and people acknowledge them. What it has told is not
// lost: no alarm, no acknowledgement and no notification.
func TestAHundredKills(t *testing.T) {
	const folder, hook = "DESK_TO_KILL", "ITS_WEBHOOK"
	if dir := os.Getenv(folder); dir != "" {
		busyDesk(dir, os.Getenv(hook))
		return
	}
	kills := 100
	if testing.Short() {
		kills = 10
	}
	dir, r := t.TempDir(), newReceiver()
	defer r.Close()
	said := make(map[string]map[string]bool) // what happened: ids
	for n := range kills {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestAHundredKills$")
		cmd.Env = append(os.Environ(), folder+"="+dir, hook+"="+r.URL)
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
				if said[what] == nil {
					said[what] = make(map[string]bool)
				}
				said[what][strings.TrimSuffix(id, ".")] = true
			}
			if i == 1+n%23 { // what it writes in the meantime is told, or not: the pipe is read to its end
				cmd.Process.Signal(syscall.SIGKILL)
			}
		}
		cmd.Wait()
	}
	r.mu.Lock()
	r.well = true
	r.mu.Unlock()
	d := newDesk(fleetOf(dir, r.URL), zap.NewNop(), time.Now)
	defer d.close()
	deliverAll(t, d)
	r.mu.Lock()
	defer r.mu.Unlock()
	lost := func(what string, ids map[string]bool, unless ...string) {
		for id := range ids {
			excused := false
			for _, other := range unless {
				excused = excused || said[other][id]
			}
			if !excused && r.told[what+" "+id] == 0 {
				t.Errorf("the notification that %s was %s is lost", id, what)
			}
		}
	}
	// Nobody needs to hear of what somebody knows already, or what is over before it was told.
	lost("raised", said["raised"], "acknowledged", "cleared", "acknowledging", "clearing")
	for id := range said["raised"] {
		a, found := d.Alarm(alarm.ID(id))
		if !found {
			t.Errorf("the alarm %s is lost", id)
		}
		if over := !a.State.Active(); over && r.told["raised "+id] > 0 && r.told["returned "+id] == 0 {
			t.Errorf("%s was told, and not that it is over", id)
		}
	}
	for id := range said["acknowledged"] {
		if a, _ := d.Alarm(alarm.ID(id)); a.Acknowledgement == nil || a.Acknowledgement.Who != "kim" {
			t.Errorf("the acknowledgement of %s is lost: %+v", id, a)
		}
	}
	raised, returned, twice := 0, 0, 0
	for what, n := range r.told {
		switch {
		case strings.HasPrefix(what, "raised "):
			raised++
		case strings.HasPrefix(what, "returned "):
			returned++
		default:
			t.Error(what)
		}
		if n > 1 {
			twice++
		}
	}
	if len(said["raised"]) < kills || len(said["acknowledged"]) < kills/4 || raised < kills/2 || returned < kills/16 {
		t.Errorf("only %d raised, %d acknowledged, %d told, %d told to be over", len(said["raised"]), len(said["acknowledged"]), raised, returned)
	}
	t.Logf("over %d kills %d raised, %d acknowledged, %d told, %d told to be over, %d told more than once", kills, len(said["raised"]),
		len(said["acknowledged"]), raised, returned, twice)
}

// deliverAll runs a courier until nothing waits any more.
func deliverAll(t *testing.T, d *desk) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	ended := make(chan struct{})
	go func() { defer close(ended); courierOf(d).Run(ctx) }()
	for ctx.Err() == nil {
		d.mu.Lock()
		left := len(d.outbox)
		d.mu.Unlock()
		if left == 0 {
			cancel()
			break
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
			t.Errorf("%d messages are still there", left)
		}
	}
	<-ended
}

func courierOf(d *desk) *notify.Courier {
	ways := d.post.Ways()
	return notify.NewCourier(d, func() []*config.Way { return ways }, "test", zap.NewNop())
}

// busyDesk raises, acknowledges and clears for ever, and says of each that it is
// done once it is. A line ends with a dot, so that a cut one is known.
func busyDesk(dir, hook string) {
	d := newDesk(fleetOf(dir, hook), zap.NewNop(), time.Now)
	go courierOf(d).Run(context.Background())
	say := func(what, id string) { os.Stdout.WriteString(what + " " + id + ".\n") }
	for n := 0; ; n++ {
		fan := reading.FanID(fmt.Sprintf("ef%d-%d", os.Getpid(), n))
		change := condition.Transition{Time: time.Now().Add(-time.Minute), Gateway: "roof", Fan: fan, Condition: condition.PinnedAtMax, Change: condition.Raised}
		d.take([]condition.Transition{change})
		id := idOfLast(d, fan)
		say("raised", id)
		if n%3 == 1 {
			say("acknowledging", id)
			if d.Acknowledge(alarm.ID(id), "kim", "on my way") == nil {
				say("acknowledged", id)
			}
		}
		if n%4 == 2 {
			d.Ready(d.post.Ways()[0], time.Now()) // it is in words before it is over
			say("clearing", id)
			change.Change, change.Reason, change.Time = condition.Cleared, condition.Recovered, time.Now().Add(-time.Minute)
			d.take([]condition.Transition{change})
			say("cleared", id)
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
