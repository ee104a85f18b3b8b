// Package history keeps every reading of every fan on disk for as long as the
// fleet file says, and gives trends and recordings of them. It stands on the
// embedded store of time series that Prometheus is built on, so other tools can
// read its folder.
//
// What is kept of a reading: its time to the millisecond, the outcome of the
// poll, the fan's mode, the value that its controller holds (to 1/256 Pa, or
// 1/16384 m3/s), its speed (to 0.01 %), six contacts, and of setpoint, rpm, power
// and a second value what changed. See word for how.
//
// Nothing here holds up a poll: readings wait in a bounded queue, a writer of its
// own commits them every second, and what does not fit is counted. A disk that
// takes nothing is told once, and tried again.
package history

import (
	"errors"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Options say where readings are kept and for how long.
type Options struct {
	Dir  string        // the store's own folder; it is made
	Keep time.Duration // readings are kept for this long
	// MaxBytes bounds what is kept on disk, beside the log of the last hours; 0:
	// only Keep does.
	MaxBytes int64
	// Reserve is how many bytes of the disk are left to others; 0:
	// [DefaultReserve].
	Reserve int64
	// Queue bounds the samples that wait for the disk; 0: [DefaultQueue].
	Queue int
	Log   *zap.Logger
}

// DefaultQueue is a minute's readings of 10,000 fans at 5 s, in 5 MB. (An
// engineering choice.)
const DefaultQueue = 120_000

// DefaultReserve is what history leaves free on the disk. (An engineering
// choice: the library takes some of it while it writes blocks.)
const DefaultReserve = 100_000_000

const (
	commitEvery = time.Second // so much is lost at most when the process is killed
	retryEvery  = 15 * time.Second
	lookEvery   = time.Minute // at how much disk is used, and what can be tidied
)

// Store keeps readings. Its methods may be called from many goroutines.
type Store struct {
	o Options

	mu      sync.Mutex // guards what is below; never held over the disk
	series  map[reading.FanID]*fanSeries
	pending []sample
	spare   []sample
	figures export.History
	newest  int64 // ms, of the readings taken; 0 before the first
	untidy  error // of the last time that the folder was tidied

	disk *disk // is behind a lock of its own
	stop chan struct{}
	done chan struct{}
}

// Open returns a store over the folder, which is opened beside: it may take
// seconds to read what was written last. Open never fails: a folder that cannot
// be opened now is tried again for as long as the store is open.
func Open(o Options) *Store {
	if o.Queue == 0 {
		o.Queue = DefaultQueue
	}
	if o.Reserve == 0 {
		o.Reserve = DefaultReserve
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	s := &Store{o: o, series: make(map[reading.FanID]*fanSeries), disk: newDisk(o),
		figures: export.History{Used: true, Up: true}, stop: make(chan struct{}), done: make(chan struct{})}
	go s.work()
	return s
}

// Close writes what waits and closes the folder.
func (s *Store) Close() {
	close(s.stop)
	<-s.done
}

// Figures tells how the store does.
func (s *Store) Figures() export.History {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.figures
}

// Record takes a reading of a fan, and the mode that the rules see it in. It
// never waits for the disk.
func (s *Store) Record(fan *config.Fan, r *reading.Reading, mode condition.Mode) {
	t := r.Time.UnixMilli()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.newest != 0 && t > s.newest+s.o.Keep.Milliseconds() {
		s.figures.Dropped.Order++ // it would push out all that is kept
		return
	}
	if len(s.pending) >= s.o.Queue {
		s.figures.Dropped.Full++
		return
	}
	s.newest = max(s.newest, t)
	f := s.series[r.Fan]
	if controlled := fan.Controlled(); f == nil || f.controlled != controlled {
		f = newFanSeries(r.Fan, controlled)
		s.series[r.Fan] = f
	}
	s.pending = f.samples(s.pending, r, t, s.disk.past.Load(), mode)
}

// Forget drops what is held in memory of fans that the fleet no longer has.
// What is on disk stays until its time is over.
func (s *Store) Forget(fleet *config.Fleet) {
	known := make(map[reading.FanID]bool, len(fleet.Fans))
	for _, f := range fleet.Fans {
		known[f.ID] = true
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for id := range s.series {
		if !known[id] {
			delete(s.series, id)
		}
	}
}

// Flush writes what waits.
func (s *Store) Flush() error {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	s.mu.Lock()
	batch := s.pending
	s.pending, s.spare = s.spare[:0], nil
	s.mu.Unlock()
	refused, err := s.disk.write(batch)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.putBack(batch)
		return err
	}
	s.figures.Dropped.Order += uint64(refused)
	s.figures.Written += uint64(readings(batch) - refused)
	clear(batch)
	s.spare = batch[:0]
	return nil
}

// putBack lets a batch that the disk did not take wait again, before what came
// since; of both together the newest are given up if they are too many.
func (s *Store) putBack(batch []sample) {
	room := max(0, s.o.Queue-len(batch))
	came := s.pending
	if len(came) > room {
		s.figures.Dropped.Full += uint64(readings(came[room:]))
		came = came[:room]
	}
	s.spare = s.pending[:0]
	s.pending = append(batch, came...)
}

// work commits what was taken, every second, until the store is closed.
func (s *Store) work() {
	defer close(s.done)
	commit, look := time.NewTicker(commitEvery), time.NewTicker(lookEvery)
	defer commit.Stop()
	defer look.Stop()
	var retry time.Time
	if err := s.Flush(); err != nil {
		s.setUp(err)
		retry = time.Now().Add(retryEvery)
	}
	s.look()
	for {
		select {
		case now := <-commit.C:
			if now.Before(retry) {
				continue
			}
			err := s.Flush()
			if err != nil {
				retry = now.Add(retryEvery)
			}
			s.setUp(err)
		case now := <-look.C:
			err := s.Tidy()
			if err != nil {
				retry = now.Add(retryEvery)
			}
			s.mu.Lock()
			s.untidy = err
			s.mu.Unlock()
			s.look()
		case <-s.stop:
			s.setUp(s.Flush())
			s.setUp(s.close())
			return
		}
	}
}

// Tidy writes what is full into blocks and drops what is too old, as the store does
// every minute by itself.
func (s *Store) Tidy() error {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	return s.disk.tidy()
}

func (s *Store) close() error {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	return errors.Join(s.disk.close(), s.disk.unclaim())
}

// look takes down how much is kept.
func (s *Store) look() {
	bytes, oldest := s.disk.size()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.figures.Bytes, s.figures.Oldest = bytes, oldest
}

// setUp tells in the log when the disk begins to refuse, and when it takes
// readings again; not every time between.
func (s *Store) setUp(err error) {
	s.mu.Lock()
	err = errors.Join(err, s.untidy)
	was := s.figures.Up
	s.figures.Up = err == nil
	lost := s.figures.Dropped.Full
	s.mu.Unlock()
	switch {
	case err != nil && was:
		s.o.Log.Error("readings cannot be kept: give [store] dir a folder that the daemon may write, with room; watching goes on, and it is tried again",
			zap.String("folder", s.o.Dir), zap.Error(err))
	case err == nil && !was:
		s.o.Log.Info("readings are kept again", zap.Uint64("lost", lost))
	}
}
