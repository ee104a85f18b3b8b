package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"net/http"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/cmd/fanwarden/internal/campus"
)

// demo invents a campus, lets its last two days pass in seconds, and then
// watches it live, over loopback, with the daemon that run is.
func demo(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("demo", flag.ContinueOnError)
	listen := flags.String("listen", "127.0.0.1:9640", "where the page, the API and the metrics are served, as `host:port`")
	fans := flags.Int("fans", campus.Usual, fmt.Sprintf("how many fans the campus has, from %d to %d", campus.Least, campus.Most))
	verbose := flags.Bool("v", false, "log every change of state, as run does, and not warnings only")
	if err := p.parse(flags, args, 0, "[--listen ADDR] [--fans N] [-v]"); err != nil {
		return status(err)
	}
	log := newLogger(p.stderr)
	if !*verbose {
		log = log.WithOptions(zap.IncreaseLevel(zapcore.WarnLevel))
	}
	defer log.Sync()
	d, err := newDemonstration(*fans, *listen, log)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden demo:", err)
		return couldNotRun
	}
	defer d.close()
	if err := d.start(ctx, p); err != nil {
		if ctx.Err() != nil { // ctrl-C while it prepared
			return allWell
		}
		fmt.Fprintln(p.stderr, "fanwarden demo:", err)
		return couldNotRun
	}
	ctx, cancel := context.WithCancel(ctx)
	guided := make(chan struct{})
	go func() { defer close(guided); d.guideWhenReady(ctx, p.stdout) }()
	defer func() { cancel(); <-guided }()
	select {
	case <-ctx.Done():
		return allWell
	case <-p.hangup: // the terminal is gone
		return allWell
	case err := <-d.daemon.Failed():
		fmt.Fprintln(p.stderr, "fanwarden demo:", err)
		return foundWrong
	}
}

// guideWhenReady prints the guide once the first cycles are done.
func (d *demonstration) guideWhenReady(ctx context.Context, w io.Writer) {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}} // and no proxy
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for !isReady(ctx, client, d.page()) {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
	printGuide(w, d)
}

func isReady(ctx context.Context, client *http.Client, page string) bool {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, page+"/readyz", nil)
	if err != nil {
		return false
	}
	response, err := client.Do(request)
	if err != nil {
		return false
	}
	response.Body.Close()
	return response.StatusCode == http.StatusOK
}
