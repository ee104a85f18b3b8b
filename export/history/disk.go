package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/oklog/ulid/v2"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/util/compression"
	"go.uber.org/zap"
)

// disk is the folder, open or not. Whoever calls it holds mu, but for query,
// size and oldest.
//
// The library panics where a disk refuses what it does behind the appends, in a
// goroutine of its own, which would end the daemon. So that goroutine is given
// nothing to do, tidy does it here, and a panic is caught and becomes an error.
type disk struct {
	o    Options
	mu   sync.Mutex // one writes at a time
	lock *os.File   // of the folder, against a second daemon
	now  atomic.Pointer[opened]
	past atomic.Int64 // ms, the latest of what was there when the folder was opened; until then nobody knows
}

// opened is the folder while it is open.
type opened struct {
	db *tsdb.DB
	// reading is held while the folder is read: its files are mapped into memory
	// and must not be closed then.
	reading sync.RWMutex
}

func newDisk(o Options) *disk {
	d := &disk{o: o}
	d.past.Store(math.MaxInt64)
	return d
}

// Blocks begin with two hours and grow to a tenth of what is kept, within these
// bounds: what is too old goes by whole blocks.
const (
	leastBlock = 2 * time.Hour
	mostBlock  = 3 * 24 * time.Hour
)

func (d *disk) options() *tsdb.Options {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = d.o.Keep.Milliseconds()
	o.MaxBytes = d.o.MaxBytes
	o.MinBlockDuration = leastBlock.Milliseconds()
	o.MaxBlockDuration = max(leastBlock, min(mostBlock, d.o.Keep/10)).Milliseconds()
	o.WALCompression = compression.Snappy
	o.WALSegmentSize = 4 << 20
	o.StripeSize = 1 << 10 // of the map of series; the usual one takes megabytes when empty
	o.NoLockfile = true    // this package has its own, which survives a folder that was given up
	o.BlockReloadInterval = math.MaxInt64
	// A clock that was set back goes over the same time again. What differs from
	// what is there is refused; the rest is kept.
	o.OutOfOrderTimeWindow = d.o.Keep.Milliseconds()
	return o
}

// open opens the folder. What is damaged in it is put aside and the rest
// opened; a disk that is full, read-only or not there is an error and nothing
// is touched.
func (d *disk) open() error {
	if err := os.MkdirAll(d.o.Dir, 0o750); err != nil {
		return err
	}
	if err := d.claim(); err != nil {
		return err
	}
	if err := errors.Join(d.room(), d.probe()); err != nil {
		return err
	}
	db, err := d.try()
	if err != nil && !ofTheDisk(err) {
		if d.putBlocksAside() {
			db, err = d.try()
		}
		if err != nil && !ofTheDisk(err) {
			if err = d.putAllAside(err); err == nil {
				db, err = d.try()
			}
		}
	}
	if err != nil {
		return err
	}
	db.DisableCompactions() // tidy does it
	past := db.Head().MaxTime()
	for _, b := range db.Blocks() {
		past = max(past, b.Meta().MaxTime)
	}
	d.past.Store(past)
	d.now.Store(&opened{db: db})
	return nil
}

// claim takes the folder for this process, until it ends or unclaim is called.
func (d *disk) claim() error {
	if d.lock != nil {
		return nil
	}
	f, err := os.OpenFile(d.o.Dir+".lock", os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return errors.Join(fmt.Errorf("another process has %s open: %w", d.o.Dir, err), f.Close())
	}
	d.lock = f
	return nil
}

func (d *disk) unclaim() error {
	if d.lock == nil {
		return nil
	}
	f := d.lock
	d.lock = nil
	return f.Close()
}

// room is an error where the disk has less left than the reserve, which is for
// what matters more than history: alarms, and the machine itself.
func (d *disk) room() error {
	var at syscall.Statfs_t
	if err := syscall.Statfs(d.o.Dir, &at); err != nil {
		return err
	}
	if free := int64(at.Bavail) * int64(at.Bsize); free < d.o.Reserve {
		return fmt.Errorf("%d MB are left on the disk, and history leaves %d MB to others: %w", free/1e6, d.o.Reserve/1e6, syscall.ENOSPC)
	}
	return nil
}

// probe writes a small file and removes it. A folder that is opened in vain
// leaves files open in the store, so it is not even tried on a disk that takes
// nothing.
func (d *disk) probe() error {
	f, err := os.CreateTemp(d.o.Dir, "probe-")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, probed))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

// probed is more than opening takes.
const probed = 1 << 20

func (d *disk) try() (db *tsdb.DB, err error) {
	defer caught(&err)
	if db, err = tsdb.Open(d.o.Dir, slog.New(slog.DiscardHandler), nil, d.options(), nil); err != nil {
		return nil, fmt.Errorf("open %s: %w", d.o.Dir, err)
	}
	return db, nil
}

// errGivenUp is what a panic of the library becomes: its locks may be held for
// ever, so what it had open is left as it is.
var errGivenUp = errors.New("the store of readings gave up")

// caught makes an error of a panic.
func caught(err *error) {
	switch p := recover().(type) {
	case nil:
	case error:
		*err = fmt.Errorf("%w: %w", errGivenUp, p)
	default:
		*err = fmt.Errorf("%w: %v", errGivenUp, p)
	}
}

// ofTheDisk tells an error that another try may not meet from damage.
func ofTheDisk(err error) bool {
	for _, one := range []error{syscall.ENOSPC, syscall.EROFS, syscall.EACCES, syscall.EPERM, syscall.EDQUOT, syscall.EIO,
		syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.EAGAIN, syscall.ENOTDIR} {
		if errors.Is(err, one) {
			return true
		}
	}
	return false
}

// putBlocksAside renames the blocks that cannot be opened, and reports whether
// there was one.
func (d *disk) putBlocksAside() bool {
	entries, _ := os.ReadDir(d.o.Dir)
	any := false
	for _, e := range entries {
		if _, err := ulid.ParseStrict(e.Name()); err != nil || !e.IsDir() {
			continue
		}
		path := filepath.Join(d.o.Dir, e.Name())
		block, err := tsdb.OpenBlock(nil, path, nil, nil)
		if err == nil {
			err = block.Close()
		}
		if err != nil && os.Rename(path, filepath.Join(d.o.Dir, "damaged-"+e.Name())) == nil {
			any = true
			d.o.Log.Error("a part of the kept readings is damaged and was put aside; the others are kept",
				zap.String("folder", path), zap.Error(err))
		}
	}
	return any
}

// putAllAside renames the folder and begins a new one.
func (d *disk) putAllAside(why error) error {
	aside := d.o.Dir + ".damaged-" + time.Now().UTC().Format("20060102T150405.000")
	if err := os.Rename(d.o.Dir, aside); err != nil {
		return errors.Join(why, err)
	}
	d.o.Log.Error("the kept readings cannot be opened; the folder was put aside and a new one begun",
		zap.String("folder", aside), zap.Error(why))
	return os.MkdirAll(d.o.Dir, 0o750)
}

// write commits a batch, and returns how many of its readings were refused. With
// an error nothing of it counts as written, and the folder is opened anew at
// the next try.
func (d *disk) write(batch []sample) (refused int, err error) {
	if d.now.Load() == nil {
		if err := d.open(); err != nil {
			return 0, err
		}
	}
	if err := d.room(); err != nil || len(batch) == 0 {
		return 0, err
	}
	if refused, err = d.commit(batch); err != nil {
		return 0, errors.Join(err, d.leave(err))
	}
	return refused, nil
}

func (d *disk) commit(batch []sample) (refused int, err error) {
	defer caught(&err)
	here := d.now.Load()
	app := here.db.AppenderV2(context.Background())
	for i := range batch {
		s := &batch[i]
		if s.series.in != here {
			s.series.ref, s.series.in = 0, here
		}
		ref, err := app.Append(s.series.ref, s.series.labels, 0, s.t, s.v, nil, nil, storage.AppendV2Options{})
		switch {
		case err == nil:
			s.series.ref = ref
		case !outOfPlace(err):
			return 0, errors.Join(err, app.Rollback())
		case s.series.main:
			refused++
		}
	}
	return refused, app.Commit()
}

// tidy writes what is complete into blocks, and removes what is too old or too
// much.
func (d *disk) tidy() error {
	here := d.now.Load()
	if here == nil {
		return nil // write tells why
	}
	if err := d.room(); err != nil {
		return err
	}
	err := compact(here.db)
	if errors.Is(err, errGivenUp) {
		err = errors.Join(err, d.leave(err))
	}
	return err // otherwise what was read and written before goes on
}

func compact(db *tsdb.DB) (err error) {
	defer caught(&err)
	db.ForceHeadMMap()
	return db.Compact(context.Background())
}

// leave closes the folder after an error, or only lets go of it where its locks
// may be held.
func (d *disk) leave(why error) error {
	if errors.Is(why, errGivenUp) {
		d.now.Store(nil)
		return nil
	}
	return d.close()
}

// close closes the folder once nobody reads it any more.
func (d *disk) close() (err error) {
	here := d.now.Swap(nil)
	if here == nil {
		return nil
	}
	here.reading.Lock()
	defer here.reading.Unlock()
	defer caught(&err)
	return here.db.Close()
}

// outOfPlace reports that a sample's time is taken, or too old.
func outOfPlace(err error) bool {
	return errors.Is(err, storage.ErrOutOfOrderSample) || errors.Is(err, storage.ErrDuplicateSampleForTimestamp) ||
		errors.Is(err, storage.ErrTooOldSample) || errors.Is(err, storage.ErrOutOfBounds)
}

// size returns how many bytes the folder takes and how far back it goes.
func (d *disk) size() (bytes int64, oldest time.Time) {
	_ = filepath.WalkDir(d.o.Dir, func(_ string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			if info, err := e.Info(); err == nil {
				bytes += info.Size()
			}
		}
		return nil
	})
	return bytes, d.oldest()
}

// oldest returns how far back the folder goes, zero where nothing is kept or it
// is not open.
func (d *disk) oldest() time.Time {
	here := d.now.Load()
	if here == nil {
		return time.Time{}
	}
	here.reading.RLock()
	defer here.reading.RUnlock()
	if d.now.Load() != here { // closed in the meantime
		return time.Time{}
	}
	t := here.db.Head().MinTime()
	for _, b := range here.db.Blocks() {
		t = min(t, b.MinTime())
	}
	if t == math.MaxInt64 {
		return time.Time{}
	}
	return time.UnixMilli(t)
}
