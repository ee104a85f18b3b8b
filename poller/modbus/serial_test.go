package modbus

import (
	"bufio"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// serialLine joins two pseudo-terminals as a cable joins two serial ports, and
// returns both ends.
func serialLine(t *testing.T) (ours, theirs string) {
	t.Helper()
	socat, err := exec.LookPath("socat")
	if err != nil {
		if os.Getenv("FANWARDEN_PEERS") == "required" {
			t.Fatal("socat is missing, and FANWARDEN_PEERS=required: install the Debian package socat")
		}
		t.Skip("skipped: socat is missing, which stands in for a serial line (Debian package socat)")
	}
	dir := t.TempDir()
	ours, theirs = filepath.Join(dir, "ours"), filepath.Join(dir, "theirs")
	cable := exec.Command(socat, "-d", "-d", "pty,raw,echo=0,link="+ours, "pty,raw,echo=0,link="+theirs)
	says, err := cable.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cable.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cable.Process.Kill(); cable.Wait() })
	for lines := bufio.NewScanner(says); lines.Scan(); {
		if strings.Contains(lines.Text(), "starting data transfer loop") {
			return ours, theirs
		}
	}
	t.Fatal("socat ended before it had joined the line")
	return "", ""
}

// device answers requests of eight bytes at the far end of a serial line, one
// after another: nil is silence.
func device(t *testing.T, end string, answers ...[]byte) {
	t.Helper()
	line, err := os.OpenFile(end, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for _, answer := range answers {
			if _, err := io.ReadFull(line, make([]byte, 8)); err != nil {
				return
			}
			line.Write(answer)
		}
	}()
	t.Cleanup(func() { line.Close(); <-done })
}

// The worked RTU frames over a serial line (Modbus over Serial Line V1.02).
func TestSerialLine(t *testing.T) {
	ours, theirs := serialLine(t)
	device(t, theirs, frame("11 03 06 022B 0000 0064  C8 BA"), frame("11 83 02  C1 34"), nil)
	session, err := Open(context.Background(), Options{Scheme: "rtu", Address: ours, Timeout: 2 * hasty, Baud: 115200,
		DataBits: 8, Parity: "none", StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	into := make([]uint16, 3)
	if err := session.Read(0x11, decode.Holding, 0x6B, 3, into); err != nil || !slices.Equal(into, []uint16{555, 0, 100}) {
		t.Errorf("%v, %v; want 555, 0, 100", into, err)
	}
	ended(t, session.Read(0x11, decode.Holding, 0x6B, 3, into), reading.Exception, 2)
	ended(t, session.Read(0x11, decode.Holding, 0x6B, 3, into), reading.Timeout, 0)
	ended(t, session.Read(0x11, decode.Holding, 0x6B, 3, into), reading.Reset, 0)
}
