package main

import (
	"errors"
	"io"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// disk is where the daemon's store is.
type disk struct {
	dir     string
	mounted bool // it is a small one of its own, which can be filled
	ballast string
}

// room is the size of the small disk: history leaves 100 MB of any to others.
const room = "size=320m"

// newDisk makes the folder of the store, on a disk of its own where that may be
// mounted.
func (o options) newDisk() (*disk, error) {
	d := &disk{dir: o.path("store")}
	d.ballast = o.path("store", "ballast")
	if err := os.MkdirAll(d.dir, 0o755); err != nil {
		return nil, err
	}
	d.mounted = !o.limit && unix.Mount("tmpfs", d.dir, "tmpfs", 0, room) == nil
	return d, nil
}

// String says how the disk is made full.
func (d *disk) String() string {
	if d.mounted {
		return "a tmpfs that is filled"
	}
	return "a limit on the size of files"
}

// fill leaves nothing for the daemon. Without a disk of its own, it may write
// nothing beyond the first byte of any file.
func (d *disk) fill(pid int) error {
	if !d.mounted {
		return limit(pid, 1)
	}
	f, err := os.Create(d.ballast)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(f, zeros{})
	if errors.Is(err, syscall.ENOSPC) {
		return nil
	}
	return err
}

// free gives it all back.
func (d *disk) free(pid int) error {
	if !d.mounted {
		return limit(pid, unix.RLIM_INFINITY)
	}
	return os.Remove(d.ballast)
}

func (d *disk) close() {
	if d.mounted {
		unix.Unmount(d.dir, unix.MNT_DETACH)
	}
}

// limit bounds the size of the files that a process writes. Only the soft limit is
// changed, which needs no right to be lifted again.
func limit(pid int, bytes uint64) error {
	var now unix.Rlimit
	if err := unix.Prlimit(pid, unix.RLIMIT_FSIZE, nil, &now); err != nil {
		return err
	}
	now.Cur = min(bytes, now.Max)
	return unix.Prlimit(pid, unix.RLIMIT_FSIZE, &now, nil)
}

// zeros is an endless file of them.
type zeros struct{}

func (zeros) Read(b []byte) (int, error) { return len(b), nil }
