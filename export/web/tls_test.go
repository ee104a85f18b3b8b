package web

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"fanwarden/config"
)

// issue writes a certificate of that serial number, signed by itself, and its key
// into a folder. The files say that they are that old.
func issue(t *testing.T, dir string, serial int64, age time.Duration) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	of := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "fans.example"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour), DNSNames: []string{"fans.example"}}
	cert, err := x509.CreateCertificate(rand.Reader, of, of, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: cert}, "key.pem": {Type: "PRIVATE KEY", Bytes: secret}} {
		write(t, filepath.Join(dir, name), pem.EncodeToMemory(block), age)
	}
}

func write(t *testing.T, path string, content []byte, age time.Duration) {
	t.Helper()
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	at := time.Now().Add(-age)
	if err := os.Chtimes(path, at, at); err != nil {
		t.Fatal(err)
	}
}

func pemFiles(dir string) config.Web {
	return config.Web{TLSCert: filepath.Join(dir, "cert.pem"), TLSKey: filepath.Join(dir, "key.pem")}
}

// served returns the address of a server that runs until the test ends.
func served(t *testing.T, of *tls.Config) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := NewServer(listener.Addr().String(), http.HandlerFunc(serveHealth))
	server.TLSConfig, server.ErrorLog = of, log.New(io.Discard, "", 0) // of handshakes that are meant to fail
	ended := make(chan error)
	go func() { ended <- Serve(server, listener) }()
	t.Cleanup(func() {
		_ = server.Close()
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			t.Errorf("the server ended: %v", err)
		}
	})
	return listener.Addr().String()
}

// serial connects and returns the serial number of the certificate that is shown.
func serial(t *testing.T, address string) int64 {
	t.Helper()
	conn, err := tls.Dial("tcp", address, &tls.Config{InsecureSkipVerify: true}) // the number tells which one it is
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
}

func TestServedUnderTLS(t *testing.T) {
	dir := t.TempDir()
	issue(t, dir, 1, 0)
	access := pemFiles(dir)
	of, err := TLS(func() config.Web { return access })
	if err != nil {
		t.Fatal(err)
	}
	address := served(t, of)
	roots := x509.NewCertPool()
	cert, _ := os.ReadFile(access.TLSCert)
	roots.AppendCertsFromPEM(cert)
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: "fans.example"}, ForceAttemptHTTP2: true}
	defer transport.CloseIdleConnections()
	response, err := (&http.Client{Transport: transport}).Get("https://" + address + "/")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	if body, _ := io.ReadAll(response.Body); string(body) != "ok\n" || response.ProtoMajor != 2 {
		t.Errorf("%s %q", response.Proto, body)
	}
	if _, err := tls.Dial("tcp", address, &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS11, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
}

// A certificate is renewed by putting new files in the place of the old ones, or
// by naming others; files that do not fit leave the old one in use.
func TestCertificatesAreRenewed(t *testing.T) {
	first, second := t.TempDir(), t.TempDir()
	issue(t, first, 1, 3*time.Hour)
	var access atomic.Pointer[config.Web]
	name := func(web config.Web) { access.Store(&web) }
	name(pemFiles(first))
	of, err := TLS(func() config.Web { return *access.Load() })
	if err != nil {
		t.Fatal(err)
	}
	address := served(t, of)
	for step, c := range []struct {
		change func()
		serial int64
	}{
		{func() {}, 1},
		{func() { issue(t, first, 2, 2*time.Hour) }, 2},
		{func() { write(t, access.Load().TLSCert, []byte("half of"), time.Hour) }, 2},
		{func() { issue(t, first, 3, 0) }, 3},
		{func() { issue(t, second, 4, 0); name(pemFiles(second)) }, 4},
		{func() { name(config.Web{TLSCert: access.Load().TLSCert, TLSKey: filepath.Join(second, "gone.pem")}) }, 4},
		{func() { name(config.Web{}) }, 4},
		{func() { name(pemFiles(first)) }, 3},
	} {
		c.change()
		if got := serial(t, address); got != c.serial {
			t.Errorf("step %d: certificate %d is shown, want %d", step, got, c.serial)
		}
	}
}

func TestWithoutACertificate(t *testing.T) {
	if of, err := TLS(func() config.Web { return config.Web{} }); of != nil || err != nil {
		t.Errorf("%v, %v", of, err)
	}
	response, err := http.Get("http://" + served(t, nil) + "/")
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != 200 {
		t.Errorf("status %d", response.StatusCode)
	}
}

func TestCertificatesThatAreNone(t *testing.T) {
	dir := t.TempDir()
	for step, change := range []func(){
		func() {},
		func() { issue(t, dir, 1, 0); _ = os.Remove(filepath.Join(dir, "key.pem")) },
		func() { write(t, filepath.Join(dir, "key.pem"), []byte("no key"), 0) },
	} {
		change()
		_, err := TLS(func() config.Web { return pemFiles(dir) })
		if err == nil || !strings.Contains(err.Error(), "give a certificate and its key as PEM files") {
			t.Errorf("step %d: %v", step, err)
		}
	}
}
