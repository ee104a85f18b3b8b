package daemon

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// memory keeps on disk what the rules remember, so that a daemon that is
// started anew goes on where it was: a hold that has run for twenty minutes does
// not begin again, and what stands is not raised a second time.
//
// It is one file in the store's folder, written whole beside the old one and
// then put in its place, so that a crash leaves the one or the other. A folder
// that cannot be written is told in the log and stops nothing.
type memory struct {
	path  string
	judge *judge
	log   *zap.Logger

	changes uint64 // of conditions, when it was last written
	written time.Time
	took    time.Duration // to write it
	failing bool          // the last attempt failed, and the log says so
}

const (
	memoryFile = "rules.memory"
	memoryMark = "fanwarden rules 1\n" // what the file begins with
	newSuffix  = ".new-"               // of the file that is being written
	// A change of a condition is on disk after lookEvery at the latest; the
	// holds that are running lose rememberEvery at most when the daemon is
	// killed. (Engineering choices.)
	lookEvery     = 5 * time.Second
	rememberEvery = 2 * time.Minute
	// share bounds what writing costs: a large fleet is written less often.
	share = 100
)

// startMemory recalls what an earlier daemon remembered, and keeps it written
// from now on.
func (d *Daemon) startMemory() {
	if d.fleet.Store.Dir == "" {
		return
	}
	m := &memory{path: filepath.Join(d.fleet.Store.Dir, memoryFile), judge: d.judge, log: d.log, written: time.Now()}
	m.recall()
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		ticker := time.NewTicker(lookEvery)
		defer ticker.Stop()
		for {
			select {
			case now := <-ticker.C:
				m.look(now)
			case <-stop:
				return
			}
		}
	}()
	d.undo = append(d.undo, func() { close(stop); <-ended; m.save() })
}

// look writes when something is new that must not be lost.
func (m *memory) look(now time.Time) {
	since := now.Sub(m.written)
	if since >= share*m.took && (since >= rememberEvery || m.judge.changeCount() != m.changes) {
		m.save()
		m.written, m.took = now, time.Since(now)
	}
}

// save writes all that the rules remember.
func (m *memory) save() {
	changes := m.judge.changeCount()
	data := m.judge.remember([]byte(memoryMark))
	data = binary.LittleEndian.AppendUint32(data, crc32.ChecksumIEEE(data))
	switch err := replaceFile(m.path, data); {
	case err != nil && !m.failing:
		m.failing = true
		m.log.Error("what the rules remember cannot be written: give [store] dir a folder that the daemon may write, with room; "+
			"after a restart their holds would begin anew", zap.Error(err))
	case err == nil:
		if m.failing {
			m.failing = false
			m.log.Info("what the rules remember is written again")
		}
		m.changes = changes
	}
}

// replaceFile puts data in the place of a file, whole or not at all.
func replaceFile(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+newSuffix+"*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// recall gives the rules back what the file holds. Without a file, or with one
// that cannot be read, they begin anew.
func (m *memory) recall() {
	m.tidy()
	data, err := os.ReadFile(m.path)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err == nil {
		data, err = checked(data)
	}
	if err != nil {
		m.log.Warn("what the rules remembered is lost; their holds begin anew", zap.String("file", m.path), zap.Error(err))
		return
	}
	m.judge.recallMemory(data)
}

// tidy removes what an earlier daemon was killed over writing. A folder that
// cannot be read or written is told when it is written to.
func (m *memory) tidy() {
	dir := filepath.Dir(m.path)
	files, _ := os.ReadDir(dir)
	for _, f := range files {
		if strings.HasPrefix(f.Name(), memoryFile+newSuffix) {
			_ = os.Remove(filepath.Join(dir, f.Name()))
		}
	}
}

// checked returns what stands between the mark and the checksum.
func checked(data []byte) ([]byte, error) {
	body := len(data) - crc32.Size
	if body < len(memoryMark) || !bytes.HasPrefix(data, []byte(memoryMark)) ||
		crc32.ChecksumIEEE(data[:body]) != binary.LittleEndian.Uint32(data[body:]) {
		return nil, errors.New("the file is damaged, or of another version")
	}
	return data[len(memoryMark):body], nil
}

// changeCount counts the changes of conditions since the start.
func (j *judge) changeCount() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.changes
}

// remember adds what the rules remember to data, one record for each fan and
// gateway: 'f' or 'g', the id and what is remembered of it. The lock is taken
// for one at a time, so that polling does not wait.
func (j *judge) remember(data []byte) []byte {
	j.mu.Lock()
	fleet := j.fleet
	j.mu.Unlock()
	record := func(kind byte, id string, appendTo func([]byte) []byte) {
		j.mu.Lock()
		own := appendTo(nil)
		j.mu.Unlock()
		data = append(data, kind)
		for _, part := range [][]byte{[]byte(id), own} {
			data = append(binary.AppendUvarint(data, uint64(len(part))), part...)
		}
	}
	for _, g := range fleet.Gateways {
		record('g', string(g.ID), func(b []byte) []byte { return j.engine.AppendGateway(b, g.ID) })
	}
	for _, f := range fleet.Fans {
		record('f', string(f.ID), func(b []byte) []byte { return j.engine.AppendFan(b, f.ID) })
	}
	return data
}

// recallMemory gives the rules back what remember wrote. Fans and gateways that
// are no longer in the fleet are left out.
func (j *judge) recallMemory(data []byte) {
	j.mu.Lock()
	defer j.mu.Unlock()
	recalled, anew := 0, 0
	for len(data) > 0 {
		kind := data[0]
		id, rest, ok := cut(data[1:])
		own, rest, whole := cut(rest)
		if !ok || !whole {
			break
		}
		data = rest
		recall := func() error { return j.engine.RecallFan(reading.FanID(id), own) }
		if kind == 'g' {
			recall = func() error { return j.engine.RecallGateway(reading.GatewayID(id), own) }
		}
		if recall() == nil {
			recalled++
		} else {
			anew++
		}
	}
	j.showStates()
	j.log.Info("the rules go on where they were", zap.Int("recalled", recalled), zap.Int("left_out", anew))
}

// cut returns the first part of data and what follows it.
func cut(data []byte) (part, rest []byte, ok bool) {
	n, width := binary.Uvarint(data)
	if width <= 0 || n > uint64(len(data)-width) {
		return nil, nil, false
	}
	data = data[width:]
	return data[:n], data[n:], true
}
