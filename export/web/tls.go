package web

import (
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"fanwarden/config"
)

// TLS returns how the daemon proves itself to those who connect, or nil where
// the fleet file names no certificate. Files that are renewed, and others that a
// reload names, are taken up with the next connection; while they cannot be
// used, the last good ones are. Whether there is TLS at all is fixed from here
// on.
func TLS(access func() config.Web) (*tls.Config, error) {
	if access().TLSCert == "" {
		return nil, nil
	}
	c := &certificate{access: access}
	if _, err := c.current(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current() }}, nil
}

// Serve serves on a listener until it is shut down, under TLS where the server
// has a TLSConfig, a thousand connections at a time at most. It returns what the
// server's own Serve does.
func Serve(server *http.Server, listener net.Listener) error {
	listener = bound(listener, mostConnections)
	if server.TLSConfig != nil {
		return server.ServeTLS(listener, "", "")
	}
	return server.Serve(listener)
}

// certificate is what the files held when they were last looked at.
type certificate struct {
	access func() config.Web

	mu   sync.Mutex
	from origin
	pair *tls.Certificate
}

// origin tells one state of the two files from another.
type origin struct {
	cert, key         string
	certTime, keyTime time.Time
}

// current returns the certificate of the files as they are now, or the last good
// one.
func (c *certificate) current() (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	web := c.access()
	from := origin{web.TLSCert, web.TLSKey, changed(web.TLSCert), changed(web.TLSKey)}
	if c.pair != nil && (from == c.from || web.TLSCert == "") {
		return c.pair, nil
	}
	pair, err := tls.LoadX509KeyPair(web.TLSCert, web.TLSKey)
	switch {
	case err == nil:
		c.from, c.pair = from, &pair
	case c.pair == nil:
		return nil, fmt.Errorf("%w; give a certificate and its key as PEM files that the daemon may read", err)
	}
	return c.pair, nil
}

// changed is when a file last was; zero where it cannot be seen.
func changed(path string) time.Time {
	info, err := os.Stat(path)
	if err != nil {
		return time.Time{}
	}
	return info.ModTime()
}
