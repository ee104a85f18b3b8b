package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/cmd/fanwarden/internal/lend"
	"fanwarden/config"
	"fanwarden/poller/reading"
)

// loan is what a command has of the daemon that runs on the store of the fleet file:
// its gateways, for as long as the loan is open. Without a daemon it has them anyway.
type loan struct {
	dir      string
	gateways []*config.Gateway
	tell     io.Writer
	daemon   *lend.Borrower // nil: none runs
}

// borrow gets gateways from the daemon that polls them, if one runs: many gateways
// take one connection only. What was borrowed is the daemon's again when the loan is
// closed, or the program ends in whatever way.
func borrow(fleet *config.Fleet, gateways []*config.Gateway, diagnostics io.Writer) (*loan, error) {
	l := &loan{dir: fleet.Store.Dir, gateways: gateways, tell: diagnostics}
	return l, l.renew()
}

// renew borrows again what is no longer lent: a daemon that was started meanwhile
// polls, and one that lends for hours takes back what was forgotten.
func (l *loan) renew() error {
	if l.dir == "" || l.daemon != nil && l.daemon.Alive() == nil {
		return nil
	}
	l.close()
	b, err := lend.Connect(l.dir)
	if errors.Is(err, lend.ErrNobody) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, g := range l.gateways {
		if err := b.Borrow(g.ID); err != nil {
			b.Close()
			return fmt.Errorf("the daemon does not lend gateway %s: %w", g.ID, err)
		}
		fmt.Fprintf(l.tell, "gateway %s is borrowed from the daemon, which does not watch its fans meanwhile\n", g.ID)
	}
	l.daemon = b
	return nil
}

func (l *loan) close() {
	if l.daemon != nil {
		l.daemon.Close()
		l.daemon = nil
	}
}

// first returns the first record of a fan in the store, through the daemon if one
// runs; nil where there is none.
func (l *loan) first(fan reading.FanID) (record []byte, err error) {
	err = l.ask(func(b *lend.Borrower) (err error) { record, err = b.First(fan); return err },
		func() (err error) { record, err = daemon.FirstTurnover(l.dir, fan); return err })
	return record, err
}

// keep puts a record into the store, through the daemon if one runs; without a
// store nothing is kept.
func (l *loan) keep(record []byte) error {
	return l.ask(func(b *lend.Borrower) error { return b.Keep(record) }, func() error { return daemon.KeepTurnover(l.dir, record) })
}

// askTimes is how often the store is tried: a daemon that starts has it before it
// can be asked.
const askTimes = 5

// ask asks the daemon that runs now, whether or not it is the one that has lent: it
// may have ended meanwhile, or been started.
func (l *loan) ask(it func(*lend.Borrower) error, nobody func() error) (err error) {
	if l.dir == "" {
		return nil
	}
	if l.daemon != nil && l.daemon.Alive() == nil {
		return it(l.daemon)
	}
	for range askTimes {
		b, connect := lend.Connect(l.dir)
		if connect == nil {
			defer b.Close()
			return it(b)
		}
		if err = nobody(); err == nil {
			return nil
		}
		time.Sleep(time.Second)
	}
	return err
}
