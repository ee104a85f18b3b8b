package main

import (
	"errors"
	"fmt"
	"io"

	"fanwarden/cmd/fanwarden/internal/lend"
	"fanwarden/config"
)

// borrow gets gateways from the daemon that polls them, if one runs on the store of
// the fleet file: many gateways take one connection only. What was borrowed is the
// daemon's again after giveBack, or when the program ends in whatever way.
func borrow(fleet *config.Fleet, gateways []*config.Gateway, diagnostics io.Writer) (giveBack func(), err error) {
	if fleet.Store.Dir == "" {
		return func() {}, nil
	}
	b, err := lend.Connect(fleet.Store.Dir)
	if errors.Is(err, lend.ErrNobody) {
		return func() {}, nil
	}
	if err != nil {
		return nil, err
	}
	for _, g := range gateways {
		if err := b.Borrow(g.ID); err != nil {
			b.Close()
			return nil, fmt.Errorf("the daemon does not lend gateway %s: %w", g.ID, err)
		}
		fmt.Fprintf(diagnostics, "gateway %s is borrowed from the daemon, which does not watch its fans meanwhile\n", g.ID)
	}
	return b.Close, nil
}
