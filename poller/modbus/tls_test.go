package modbus

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// identity is a self-signed certificate, which vouches for itself.
type identity struct {
	cert, key string // files
	pair      tls.Certificate
}

func newIdentity(t *testing.T, name string) identity {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true,
		BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, &template, &template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalECPrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	id := identity{cert: filepath.Join(dir, "cert.pem"), key: filepath.Join(dir, "key.pem")}
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	key := pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: raw})
	if err := os.WriteFile(id.cert, certificate, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(id.key, key, 0o600); err != nil {
		t.Fatal(err)
	}
	if id.pair, err = tls.X509KeyPair(certificate, key); err != nil {
		t.Fatal(err)
	}
	return id
}

// secure serves one answer over TLS to whoever shows a client certificate.
func secure(t *testing.T, server, client identity) (address string) {
	t.Helper()
	trusted := x509.NewCertPool()
	leaf, err := x509.ParseCertificate(client.pair.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	trusted.AddCert(leaf)
	listener, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{server.pair},
		ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: trusted})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		if _, err := conn.Read(make([]byte, 260)); err == nil {
			conn.Write(frame(goodTCP))
		}
	}()
	t.Cleanup(func() { listener.Close(); <-done })
	return listener.Addr().String()
}

// Modbus/TCP Security has both sides show a certificate.
func TestTLS(t *testing.T) {
	server, client := newIdentity(t, "gateway"), newIdentity(t, "fanwarden")
	session, err := Open(context.Background(), Options{Scheme: "tcp+tls", Address: secure(t, server, client), Timeout: patient,
		TLSCert: client.cert, TLSKey: client.key, TLSCA: server.cert})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	var word [1]uint16
	if err := session.Read(0x11, decode.Holding, 0x6B, 1, word[:]); err != nil || word[0] != 0x022B {
		t.Errorf("%04X, %v; want 022B", word[0], err)
	}
}

// A gateway that nobody vouches for is no gateway.
func TestTLSGatewayThatIsNotTrusted(t *testing.T) {
	server, client, other := newIdentity(t, "gateway"), newIdentity(t, "fanwarden"), newIdentity(t, "somebody else")
	_, err := Open(context.Background(), Options{Scheme: "tcp+tls", Address: secure(t, server, client), Timeout: patient,
		TLSCert: client.cert, TLSKey: client.key, TLSCA: other.cert})
	ended(t, err, reading.Refused, 0)
}

// A gateway that takes the connection and never shakes hands holds nobody up:
// the library would wait for 15 s.
func TestTLSHandshakeThatNeverComes(t *testing.T) {
	id := newIdentity(t, "fanwarden")
	ctx, cancel := context.WithTimeout(context.Background(), hasty)
	defer cancel()
	begin := time.Now()
	_, err := Open(ctx, Options{Scheme: "tcp+tls", Address: peer(t, step{}), Timeout: patient,
		TLSCert: id.cert, TLSKey: id.key, TLSCA: id.cert})
	ended(t, err, reading.Timeout, 0)
	if took := time.Since(begin); took > 10*hasty {
		t.Errorf("opening took %v; it was given %v", took, hasty)
	}
}
