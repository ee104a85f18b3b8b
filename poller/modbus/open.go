package modbus

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"os"

	"github.com/simonvetter/modbus"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/poller/reading"
)

// selectLimit is FD_SETSIZE of Linux and the BSDs: select(2) cannot wait for a
// descriptor of this number or above.
const selectLimit = 1024

// Open connects to a gateway. It returns when the connection stands, when it
// has failed, or when ctx ends. Every error is a *[reading.Failure]: Timeout
// where nothing answered in time, Refused for everything else, as no
// connection ever stood.
//
// A connection attempt that ctx cut short is over at once with TCP and RTU over TCP.
// The library cannot stop its own: they go on in the background, for at most
// 5 s (15 s with TLS), and what comes of them is closed.
func Open(ctx context.Context, o Options) (*Session, error) {
	switch o.Scheme {
	case "rtuovertcp":
		line, err := dialRTU(ctx, o)
		if err != nil {
			return nil, opening(err)
		}
		return &Session{over: line}, nil
	case "tcp":
		line, err := dialTCP(ctx, o)
		if err != nil {
			return nil, opening(err)
		}
		return &Session{over: line}, nil
	}
	client, err := newClient(o)
	if err != nil {
		return nil, &reading.Failure{Outcome: reading.Refused, Err: err}
	}
	if err := openClient(ctx, client); err != nil {
		return nil, opening(err)
	}
	return &Session{over: &library{client: client, unit: -1}}, nil
}

// openClient has the library connect, and waits no longer than ctx.
func openClient(ctx context.Context, client *modbus.ModbusClient) error {
	opened := make(chan error)
	go func() {
		err := client.Open()
		select {
		case opened <- err:
		case <-ctx.Done():
			if err == nil {
				client.Close()
			}
		}
	}()
	select {
	case err := <-opened:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// opening classifies the error of an attempt to connect.
func opening(err error) *reading.Failure {
	if errors.Is(err, context.DeadlineExceeded) || os.IsTimeout(err) {
		return &reading.Failure{Outcome: reading.Timeout, Err: errors.New("no connection in time")}
	}
	return &reading.Failure{Outcome: reading.Refused, Err: err}
}

// newClient makes a client of the library; it connects to nothing yet.
func newClient(o Options) (*modbus.ModbusClient, error) {
	configuration := modbus.ClientConfiguration{
		URL:      o.Scheme + "://" + o.Address,
		Timeout:  o.Timeout,
		Speed:    uint(o.Baud),
		DataBits: uint(o.DataBits),
		StopBits: uint(o.StopBits),
		Logger:   logger(o.Log),
	}
	switch o.Parity {
	case "even":
		configuration.Parity = modbus.PARITY_EVEN
	case "odd":
		configuration.Parity = modbus.PARITY_ODD
	}
	switch o.Scheme {
	case "rtu":
		if err := roomForLine(); err != nil {
			return nil, err
		}
	case "tcp+tls":
		if err := credentials(&configuration, o); err != nil {
			return nil, err
		}
	}
	return modbus.NewClient(&configuration)
}

// credentials loads what TLS needs. The files are read at every connection, so
// that a renewed certificate needs no restart.
func credentials(configuration *modbus.ClientConfiguration, o Options) error {
	pair, err := tls.LoadX509KeyPair(o.TLSCert, o.TLSKey)
	if err != nil {
		return fmt.Errorf("our own certificate: %w", err)
	}
	authorities, err := modbus.LoadCertPool(o.TLSCA)
	if err != nil {
		return fmt.Errorf("the certificate that vouches for the gateway: %w", err)
	}
	configuration.TLSClientCert, configuration.TLSRootCAs = &pair, authorities
	return nil
}

// roomForLine fails when the next descriptor is one that select(2) cannot hold.
func roomForLine() error {
	probe, err := os.Open(os.DevNull)
	if err != nil {
		return err
	}
	defer probe.Close()
	return checkDescriptor(probe.Fd())
}

func checkDescriptor(fd uintptr) error {
	if fd >= selectLimit {
		return fmt.Errorf("too many connections are open (%d) to open a serial line as well; it can only use one of the first %d",
			fd, selectLimit)
	}
	return nil
}

// logger is what the library writes to instead of standard output.
func logger(l *zap.Logger) *log.Logger {
	if l == nil || !l.Core().Enabled(zapcore.DebugLevel) {
		return log.New(io.Discard, "", 0)
	}
	std, err := zap.NewStdLogAt(l, zapcore.DebugLevel)
	if err != nil { // only for a level that does not exist
		return log.New(io.Discard, "", 0)
	}
	return std
}
