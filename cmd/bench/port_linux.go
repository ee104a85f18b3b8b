package main

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"
	"unsafe"
)

// port is a serial port with units behind it: a pseudo-terminal, whose other end
// keeps the time that the characters would take.
type port struct {
	name string // of the end that the poller opens
	end  *os.File
	baud int
}

// openPort opens a pseudo-terminal.
func openPort(baud int) (*port, error) {
	end, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		return nil, fmt.Errorf("a pseudo-terminal: %w", err)
	}
	var number, locked uint32
	for request, value := range map[uintptr]*uint32{syscall.TIOCGPTN: &number, syscall.TIOCSPTLCK: &locked} {
		if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, end.Fd(), request, uintptr(unsafe.Pointer(value))); errno != 0 {
			end.Close()
			return nil, fmt.Errorf("a pseudo-terminal: %w", errno)
		}
	}
	return &port{name: fmt.Sprintf("/dev/pts/%d", number), end: end, baud: baud}, nil
}

func (p *port) close() { p.end.Close() }

// The characters of a request and of an answer beside its data. Source: MODBUS
// over Serial Line V1.02, section 2.5.1.
const (
	askedCharacters  = 8 // unit, function, address, count, checksum
	answerCharacters = 5 // unit, function, byte count, checksum
)

// serve answers reads of registers with zeros, each at the instant at which the
// last character of the answer would have come. A request that comes before the
// line has been silent begins when it has.
func (p *port) serve() {
	character := 11 * time.Second / time.Duration(p.baud)
	silence := 7 * character / 2
	if p.baud > 19200 {
		silence = 1750 * time.Microsecond // t3.5 above 19200 bit/s (the same source)
	}
	var asked [askedCharacters]byte
	var free time.Time
	for {
		n, err := io.ReadFull(p.end, asked[:])
		if os.IsNotExist(err) || err != nil && n == 0 {
			time.Sleep(time.Millisecond) // nobody has the other end open
			if _, gone := p.end.Stat(); gone != nil {
				return
			}
			continue
		}
		begun := time.Now()
		if begun.Before(free) {
			begun = free
		}
		words := int(binary.BigEndian.Uint16(asked[4:]))
		frame := append(make([]byte, 0, answerCharacters+2*words), asked[0], asked[1], byte(2*words))
		frame = append(frame, make([]byte, 2*words)...)
		frame = binary.LittleEndian.AppendUint16(frame, checksum(frame))
		characters := time.Duration(askedCharacters + len(frame))
		due := begun.Add(characters*11*time.Second/time.Duration(p.baud) + silence)
		sleepUntil(due)
		free = due.Add(silence)
		if _, err := p.end.Write(frame); err != nil {
			return
		}
	}
}

// sleepUntil wakes within some microseconds, which timers of the runtime do not:
// they wait in whole milliseconds while nothing else is to do, and the kernel
// is a little late as well.
func sleepUntil(due time.Time) {
	const late = 200 * time.Microsecond
	for left := time.Until(due); left > 0; left = time.Until(due) {
		if left > late {
			span := syscall.NsecToTimespec(int64(left - late))
			_ = syscall.Nanosleep(&span, nil) // a signal may cut it short
		}
	}
}

// checksum is that of a frame (the same source, section 6.2.2).
func checksum(frame []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, b := range frame {
		sum ^= uint16(b)
		for range 8 {
			sum = sum>>1 ^ 0xA001&-(sum&1)
		}
	}
	return sum
}
