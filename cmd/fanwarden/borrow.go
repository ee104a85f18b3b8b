package main

import (
	"errors"
	"fmt"
	"io"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/cmd/fanwarden/internal/lend"
	"fanwarden/config"
	"fanwarden/poller/reading"
)

// loan is what a command has of the daemon that runs on the store of the fleet file:
// its gateways, for as long as the loan is open. Without a daemon it has them anyway.
type loan struct {
	dir    string
	daemon *lend.Borrower // nil: none runs
}

// borrow gets gateways from the daemon that polls them, if one runs: many gateways
// take one connection only. What was borrowed is the daemon's again when the loan is
// closed, or the program ends in whatever way.
func borrow(fleet *config.Fleet, gateways []*config.Gateway, diagnostics io.Writer) (*loan, error) {
	l := &loan{dir: fleet.Store.Dir}
	if l.dir == "" {
		return l, nil
	}
	b, err := lend.Connect(l.dir)
	if errors.Is(err, lend.ErrNobody) {
		return l, nil
	}
	if err != nil {
		return nil, err
	}
	l.daemon = b
	for _, g := range gateways {
		if err := b.Borrow(g.ID); err != nil {
			b.Close()
			return nil, fmt.Errorf("the daemon does not lend gateway %s: %w", g.ID, err)
		}
		fmt.Fprintf(diagnostics, "gateway %s is borrowed from the daemon, which does not watch its fans meanwhile\n", g.ID)
	}
	return l, nil
}

func (l *loan) close() {
	if l.daemon != nil {
		l.daemon.Close()
	}
}

// first returns the first record of a fan in the store, through the daemon if one
// runs; nil where there is none.
func (l *loan) first(fan reading.FanID) (record []byte, err error) {
	switch {
	case l.dir == "":
		return nil, nil
	case l.daemon != nil:
		return l.daemon.First(fan)
	}
	return daemon.FirstTurnover(l.dir, fan)
}

// keep puts a record into the store, through the daemon if one runs; without a
// store nothing is kept.
func (l *loan) keep(record []byte) error {
	switch {
	case l.dir == "":
		return nil
	case l.daemon != nil:
		return l.daemon.Keep(record)
	}
	return daemon.KeepTurnover(l.dir, record)
}
