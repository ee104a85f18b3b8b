package notify

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
)

// Beat is what a heartbeat says.
type Beat struct {
	Site     string    `json:"site,omitempty"`
	Version  string    `json:"version"`
	Time     time.Time `json:"time"`
	Standing int       `json:"standing"` // alarms that stand
}

// Heartbeat calls a url again and again, for as long as the daemon does its
// work, so that somebody else notices when it does not.
type Heartbeat struct {
	to   func() *config.Heartbeat // nil: nobody is called now
	beat func() (Beat, bool)      // false: the daemon lives, and does not do its work
	hook *hook
	log  *zap.Logger

	last time.Time
	lost bool // it is not heard
	idle bool // nothing is read: it is held back
}

// NewHeartbeat returns a heartbeat.
func NewHeartbeat(to func() *config.Heartbeat, beat func() (Beat, bool), version string, log *zap.Logger) *Heartbeat {
	return &Heartbeat{to: to, beat: beat, hook: newHook("fanwarden/" + version), log: log}
}

// Run calls until ctx ends.
func (h *Heartbeat) Run(ctx context.Context) {
	defer h.hook.client.CloseIdleConnections()
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for {
		if to := h.to(); to != nil && time.Since(h.last) >= to.Every {
			h.last = time.Now()
			h.call(ctx, to)
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
	}
}

func (h *Heartbeat) call(ctx context.Context, to *config.Heartbeat) {
	beat, well := h.beat()
	switch {
	case !well && !h.idle:
		h.log.Error("no heartbeat is sent: nothing was read for too long")
	case well && h.idle:
		h.log.Info("the heartbeat goes on: readings come again")
	}
	if h.idle = !well; h.idle {
		return
	}
	body, err := json.Marshal(beat)
	if err == nil {
		err = h.hook.send(ctx, h.hook.client, to.URL, http.Header{}, body)
	}
	switch {
	case ctx.Err() != nil:
	case err != nil && !h.lost:
		h.log.Error("the heartbeat is not heard", zap.Error(err))
	case err == nil && h.lost:
		h.log.Info("the heartbeat is heard again")
	}
	h.lost = err != nil
}
