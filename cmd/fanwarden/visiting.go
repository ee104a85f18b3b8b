package main

import (
	"context"
	"io"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/bacnet"
)

// visiting begins a conversation with a gateway that is borrowed, or that nobody
// polls. What BACnet devices are warned of goes to diagnostics.
func visiting(g *config.Gateway, diagnostics io.Writer) *visit.Visit {
	return visit.New(g, daemon.Dial(zap.NewNop()), func(ctx context.Context, g *config.Gateway) (*bacnet.Client, error) {
		return daemon.Devices(ctx, g, warnings(diagnostics))
	})
}

// warnings is a log of sentences for a person.
func warnings(diagnostics io.Writer) *zap.Logger {
	lines := zapcore.NewConsoleEncoder(zapcore.EncoderConfig{MessageKey: "says"})
	return zap.New(zapcore.NewCore(lines, zapcore.Lock(zapcore.AddSync(diagnostics)), zap.WarnLevel))
}
