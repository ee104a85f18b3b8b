package browser_test

import (
	"fmt"
	"slices"
	"strings"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
)

// hear notes what the browser complains of, what is being loaded, and how much
// came. It is called on the goroutine that reads from the browser.
func (b *tab) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" || e.Type == "warning" || e.Type == "assert" {
			b.fault("the console says %s: %s", e.Type, said(e.Args))
		}
	case *runtime.EventExceptionThrown:
		d := e.ExceptionDetails
		b.fault("exception: %s at %s:%d %s", d.Text, d.URL, d.LineNumber+1, said([]*runtime.RemoteObject{d.Exception}))
	case *log.EventEntryAdded:
		if (e.Entry.Level == "error" || e.Entry.Level == "warning") && e.Entry.Source != "network" { // which is told below
			b.fault("the browser says (%s): %s %s", e.Entry.Source, e.Entry.Text, e.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		if e.Type != "EventSource" {
			b.loading[e.RequestID] = request{e.Request.URL, e.LoaderID}
		}
	case *network.EventResponseReceived:
		if e.Type == "Document" {
			b.document = e.LoaderID
		}
		if e.Response.Status >= 400 {
			b.fault("%s answers %d", e.Response.URL, e.Response.Status)
		}
	case *network.EventLoadingFinished:
		delete(b.loading, e.RequestID)
	case *network.EventLoadingFailed:
		if !e.Canceled && e.ErrorText != "net::ERR_ABORTED" {
			b.fault("%s could not be loaded: %s %s", b.loading[e.RequestID].url, e.ErrorText, e.BlockedReason)
		}
		delete(b.loading, e.RequestID)
	case *network.EventDataReceived: // of a stream it is told long after
		if _, answer := b.loading[e.RequestID]; answer {
			b.traffic += e.EncodedDataLength
		}
	case *network.EventEventSourceMessageReceived:
		b.traffic += int64(len("event: \nid: \ndata: \n\n") + len(e.EventName) + len(e.EventID) + len(e.Data))
	}
}

// said is what was given to the console.
func said(objects []*runtime.RemoteObject) string {
	var words []string
	for _, o := range objects {
		if o != nil {
			words = append(words, strings.TrimSpace(string(o.Value)+" "+o.Description))
		}
	}
	return strings.Join(words, " ")
}

func (b *tab) fault(format string, args ...any) {
	if f := fmt.Sprintf(format, args...); !b.expected && !slices.Contains(b.faults, f) {
		b.faults = append(b.faults, f)
	}
}

// expect says whether faults are to be expected from now on.
func (b *tab) expect(faults bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.expected = faults
}

// request is a url and the document that asked for it.
type request struct {
	url string
	by  cdp.LoaderID
}

// requests are the urls that the document is loading. How those of the document
// before it end is not always told.
func (b *tab) requests() (urls []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.loading {
		if r.by == b.document {
			urls = append(urls, r.url)
		}
	}
	return urls
}

// received is how many bytes have come, with those of streams.
func (b *tab) received() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.traffic
}

// mustBeClean fails the test if the browser has complained of anything.
func (b *tab) mustBeClean() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, f := range b.faults {
		if i == 10 {
			b.t.Errorf("and %d more", len(b.faults)-i)
			break
		}
		b.t.Error(f)
	}
	b.faults = nil
}
