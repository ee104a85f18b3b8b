package daemon

import (
	"context"
	"errors"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/modbus"
	"fanwarden/poller/reading"
)

// Dial returns the poller's way to a gateway, by the protocol of its url.
func Dial(log *zap.Logger) poller.Dial {
	return func(ctx context.Context, g *config.Gateway) (poller.Session, error) {
		if g.BACnet() {
			return nil, &reading.Failure{Outcome: reading.Refused, Err: errors.New("BACnet gateways are not read yet by this version")}
		}
		session, err := modbus.Open(ctx, modbus.Options{
			Scheme: g.Scheme, Address: g.Address, Timeout: g.Timeout,
			Baud: g.SerialBaud(), DataBits: g.DataBits, Parity: g.Parity, StopBits: g.StopBits,
			TLSCert: g.TLSCert, TLSKey: g.TLSKey, TLSCA: g.TLSCA,
			Log: log.With(zap.String("gateway", string(g.ID))),
		})
		if err != nil {
			return nil, err // not a nil *Session inside a Session
		}
		return session, nil
	}
}
