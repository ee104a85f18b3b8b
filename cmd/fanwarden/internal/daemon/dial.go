package daemon

import (
	"context"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/modbus"
)

// Dial returns the poller's way to a Modbus gateway, by the scheme of its url.
func Dial(log *zap.Logger) poller.Dial {
	return func(ctx context.Context, g *config.Gateway) (poller.Session, error) {
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

// Open returns the poller's way to the devices of a BACnet gateway.
func Open(log *zap.Logger) poller.Open {
	return func(ctx context.Context, g *config.Gateway) (poller.Objects, error) {
		client, err := Devices(ctx, g, log)
		if err != nil {
			return nil, bacnet.Failure(err)
		}
		return client, nil
	}
}

// Devices opens the way to the devices of a BACnet gateway. Its errors are those of
// [bacnet.Open].
func Devices(ctx context.Context, g *config.Gateway, log *zap.Logger) (*bacnet.Client, error) {
	log = log.With(zap.String("gateway", string(g.ID)))
	return bacnet.Open(ctx, bacnet.Way{Address: g.Address, LocalPort: g.LocalPort, Foreign: g.ForeignDevice},
		bacnet.Options{APDUTimeout: g.Timeout, Twice: func(instance uint32, kept, other bacnet.Station) {
			log.Warn("two devices have one instance, and it is chance which of them is read; give one of them another instance",
				zap.Uint32("device", instance), zap.Stringer("read", kept), zap.Stringer("other", other))
		}})
}
