package main

import (
	"context"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/bacnet"
)

// visiting begins a conversation with a gateway that is borrowed, or that nobody
// polls.
func visiting(g *config.Gateway) *visit.Visit {
	return visit.New(g, daemon.Dial(zap.NewNop()), openDevices)
}

// openDevices opens the way to the devices of a BACnet gateway.
func openDevices(ctx context.Context, g *config.Gateway) (*bacnet.Client, error) {
	return daemon.Devices(ctx, g, zap.NewNop())
}
