package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// training is what the simulator's own port is asked and answers:
//
//	GET    /kinds                            what troubles there are
//	GET    /faults                           the troubles that were put on
//	POST   /faults (or PUT)                  put one on; the body is a newFault
//	DELETE /faults?fan=ID&kind=KIND          end it; gateway=ID for a gateway's
//
// It is for the people at this machine: a page of another site cannot use it.
type training struct {
	server *field.Server
	log    *zap.Logger
}

// newFault is a trouble to put on.
type newFault struct {
	Fan     reading.FanID     `json:"fan"`
	Gateway reading.GatewayID `json:"gateway"`
	Kind    field.Kind        `json:"kind"`
	For     string            `json:"for"`  // as in 20m; empty: until it is ended
	Size    float64           `json:"size"` // 0: one that shows clearly
}

// shownFault is a trouble as the list shows it.
type shownFault struct {
	Fan     reading.FanID     `json:"fan,omitempty"`
	Gateway reading.GatewayID `json:"gateway,omitempty"`
	Kind    field.Kind        `json:"kind"`
	From    *time.Time        `json:"from,omitempty"`
	Until   *time.Time        `json:"until,omitempty"`
	Size    float64           `json:"size,omitempty"`
	On      bool              `json:"on"`
}

// trainingPort returns the handler of the simulator's own port; address puts its
// url in place of ADDR.
func trainingPort(server *field.Server, log *zap.Logger, address *strings.Replacer) http.Handler {
	t := &training{server, log}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /kinds", func(w http.ResponseWriter, _ *http.Request) { answer(w, http.StatusOK, field.Catalogue()) })
	mux.HandleFunc("GET /faults", t.list)
	mux.HandleFunc("POST /faults", t.put)
	mux.HandleFunc("PUT /faults", t.put)
	mux.HandleFunc("DELETE /faults", t.clear)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) { address.WriteString(w, trainingHelp) })
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		complain(w, http.StatusForbidden, errors.New("a page of another site asked for this; nothing was done"))
	}))
	return namedByAddress(guard.Handler(mux))
}

// namedByAddress lets in only who names this machine by its address or as
// localhost, so that no other site's name can be made to lead here.
func namedByAddress(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host, _, err := net.SplitHostPort(r.Host)
		if err != nil {
			host = r.Host
		}
		if host != "localhost" && net.ParseIP(host) == nil {
			complain(w, http.StatusForbidden, fmt.Errorf("name this machine by its address or as localhost, not as %q", host))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (t *training) list(w http.ResponseWriter, _ *http.Request) {
	now := t.server.Now()
	all := []shownFault{}
	for _, f := range t.server.Faults() {
		all = append(all, shown(f, now))
	}
	answer(w, http.StatusOK, all)
}

func shown(f field.Fault, now time.Time) shownFault {
	s := shownFault{Fan: f.Fan, Gateway: f.Gateway, Kind: f.Kind, Size: f.Size, On: f.At(now)}
	if !f.From.IsZero() {
		s.From = &f.From
	}
	if !f.Until.IsZero() {
		s.Until = &f.Until
	}
	return s
}

// mostBody is the longest body that is read, in bytes.
const mostBody = 64 << 10

func (t *training) put(w http.ResponseWriter, r *http.Request) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		complain(w, http.StatusUnsupportedMediaType,
			fmt.Errorf("send the trouble as JSON, with Content-Type: application/json and not %q", r.Header.Get("Content-Type")))
		return
	}
	var n newFault
	body := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	body.DisallowUnknownFields()
	err := body.Decode(&n)
	if err == nil && body.More() {
		err = errors.New("something follows the trouble")
	}
	if err != nil {
		complain(w, http.StatusBadRequest, fmt.Errorf("the body cannot be read (%w); write it as in %s", err, exampleFault))
		return
	}
	fault, err := n.fault(t.server.Now())
	if err == nil {
		err = t.server.Put(fault)
	}
	if err != nil {
		complain(w, http.StatusBadRequest, err)
		return
	}
	t.log.Info("trouble put on", zap.String("fan", string(n.Fan)), zap.String("gateway", string(n.Gateway)),
		zap.String("kind", string(n.Kind)), zap.String("for", n.For))
	answer(w, http.StatusOK, shown(fault, fault.From))
}

const exampleFault = `{"fan": "ID", "kind": "motor_off", "for": "20m"}`

// fault turns what was asked for into a trouble that begins now.
func (n newFault) fault(now time.Time) (field.Fault, error) {
	f := field.Fault{Fan: n.Fan, Gateway: n.Gateway, Kind: n.Kind, From: now, Size: n.Size}
	if err := belongs(n.Fan, n.Gateway, n.Kind); err != nil {
		return f, err
	}
	if n.For == "" {
		return f, nil
	}
	d, err := time.ParseDuration(n.For)
	if err != nil || d <= 0 {
		return f, fmt.Errorf("for is %q; write how long the trouble lasts as in 90s, 20m or 1h30m", n.For)
	}
	f.Until = now.Add(d)
	return f, nil
}

// belongs says what is wrong with a kind for a fan or a gateway.
func belongs(fan reading.FanID, gateway reading.GatewayID, kind field.Kind) error {
	if (fan == "") == (gateway == "") {
		return errors.New("name one fan or one gateway, as fan or gateway")
	}
	if kind == "" {
		return errors.New("name the kind of trouble as kind; GET /kinds lists them")
	}
	for _, k := range field.Catalogue() {
		if k.Kind != kind {
			continue
		}
		if (k.Of == "fan") != (fan != "") {
			return fmt.Errorf("%s is a trouble of a %s; name one as %s", kind, k.Of, k.Of)
		}
		return nil
	}
	return fmt.Errorf("there is no trouble of kind %q; GET /kinds lists them", kind)
}

func (t *training) clear(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	fan, gateway, kind := reading.FanID(q.Get("fan")), reading.GatewayID(q.Get("gateway")), field.Kind(q.Get("kind"))
	if err := belongs(fan, gateway, kind); err != nil {
		complain(w, http.StatusBadRequest, err)
		return
	}
	n := t.server.Clear(fan, gateway, kind)
	if n == 0 {
		complain(w, http.StatusNotFound, fmt.Errorf("%s%s has no trouble of kind %s; GET /faults lists what there is", fan, gateway, kind))
		return
	}
	t.log.Info("trouble ended", zap.String("fan", string(fan)), zap.String("gateway", string(gateway)), zap.String("kind", string(kind)))
	answer(w, http.StatusOK, map[string]int{"ended": n})
}

func complain(w http.ResponseWriter, status int, err error) {
	answer(w, status, map[string]string{"error": err.Error()})
}

func answer(w http.ResponseWriter, status int, what any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	encoder.Encode(what)
}

// trainingHelp says how troubles are put on while a simulation runs.
const trainingHelp = `Troubles can be put on a fan or a gateway while it runs, for training. The port
answers on this machine only:

  curl ADDR/kinds                               what troubles there are
  curl ADDR/faults                              those that were put on
  curl ADDR/faults -H 'Content-Type: application/json' \
       -d '{"fan": "ID", "kind": "motor_off", "for": "20m"}'
                                                put one on; without "for" it stays until
                                                it is ended, "size" makes it larger or smaller
  curl -X DELETE 'ADDR/faults?fan=ID&kind=motor_off'
                                                end it; gateway=ID for a gateway's
`
