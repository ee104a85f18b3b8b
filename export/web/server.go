package web

import (
	"context"
	"net"
	"net/http"
	"sync"
	"time"
)

// NewServer returns a server for the handler at the address (host:port), with
// limits that let neither a slow client nor an idle one hold it for ever:
//
//   - 5 s for a request's headers, of at most 16 KiB, and 15 s for all of it;
//   - 60 s to take the answer, which is long enough for the metrics of ten
//     thousand fans over a slow line;
//   - 2 min for an idle connection, longer than a scrape period of a minute.
//
// Streams of events set limits of their own, and end as soon as the server is
// shut down.
func NewServer(addr string, handler http.Handler) *http.Server {
	stopping := make(chan struct{})
	stop := sync.OnceFunc(func() { close(stopping) })
	server := &http.Server{
		Addr:              addr,
		Handler:           handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.Background(), stoppingKey{}, stopping)
		},
	}
	server.RegisterOnShutdown(stop)
	return server
}
