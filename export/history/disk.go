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
	"syscall"
	"time"

	"github.com/oklog/ulid/v2"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/util/compression"
	"go.uber.org/zap"
)

// disk is the folder, open or not. Whoever calls it holds mu, but for query
// and size.
type disk struct {
	o    Options
	mu   sync.Mutex // one writes at a time
	hold sync.RWMutex
	db   *tsdb.DB // nil while it is not open; guarded by hold
	// opening counts how often the folder was opened: references of series hold
	// for one time only.
	opening uint64
}

func newDisk(o Options) *disk { return &disk{o: o} }

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
	if err := d.probe(); err != nil {
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
	d.hold.Lock()
	defer d.hold.Unlock()
	d.db = db
	d.opening++
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

func (d *disk) try() (*tsdb.DB, error) {
	db, err := tsdb.Open(d.o.Dir, slog.New(slog.DiscardHandler), nil, d.options(), nil)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", d.o.Dir, err)
	}
	return db, nil
}

// ofTheDisk tells an error that another try may not meet from damage.
func ofTheDisk(err error) bool {
	var locked *fs.PathError
	for _, one := range []error{syscall.ENOSPC, syscall.EROFS, syscall.EACCES, syscall.EPERM, syscall.EDQUOT, syscall.EIO,
		syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.EAGAIN, syscall.ENOTDIR} {
		if errors.Is(err, one) {
			return true
		}
	}
	return errors.As(err, &locked) && locked.Op == "lock"
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
	if d.db == nil {
		if err := d.open(); err != nil {
			return 0, err
		}
	}
	if len(batch) == 0 {
		return 0, nil
	}
	app := d.db.AppenderV2(context.Background())
	for i := range batch {
		s := &batch[i]
		if s.series.opening != d.opening {
			s.series.ref, s.series.opening = 0, d.opening
		}
		ref, err := app.Append(s.series.ref, s.series.labels, 0, s.t, s.v, nil, nil, storage.AppendV2Options{})
		switch {
		case err == nil:
			s.series.ref = ref
		case !outOfPlace(err):
			return 0, errors.Join(err, app.Rollback(), d.close())
		case s.series.main:
			refused++
		}
	}
	if err := app.Commit(); err != nil {
		return 0, errors.Join(err, d.close())
	}
	return refused, nil
}

// outOfPlace reports that a sample's time is taken, or too old.
func outOfPlace(err error) bool {
	return errors.Is(err, storage.ErrOutOfOrderSample) || errors.Is(err, storage.ErrDuplicateSampleForTimestamp) ||
		errors.Is(err, storage.ErrTooOldSample) || errors.Is(err, storage.ErrOutOfBounds)
}

func (d *disk) close() error {
	d.hold.Lock()
	defer d.hold.Unlock()
	if d.db == nil {
		return nil
	}
	err := d.db.Close()
	d.db = nil
	return err
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
	d.hold.RLock()
	defer d.hold.RUnlock()
	if d.db == nil {
		return time.Time{}
	}
	t := d.db.Head().MinTime()
	for _, b := range d.db.Blocks() {
		t = min(t, b.MinTime())
	}
	if t == math.MaxInt64 {
		return time.Time{}
	}
	return time.UnixMilli(t)
}
