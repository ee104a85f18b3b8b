package main

import (
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"strings"
)

// answerCommand is the process that both pollers read: gateways that answer
// everything at once, with registers that hold unit and address. It prints its
// ports and ends with its input.
func answerCommand(_ context.Context, args []string, in io.Reader, out, diagnostics io.Writer) error {
	flags := flag.NewFlagSet("answer", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	gateways := flags.Int("gateways", 1, "how many ports")
	if err := flags.Parse(args); err != nil {
		return err
	}
	var ports []string
	for range *gateways {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		defer listener.Close()
		_, port, _ := net.SplitHostPort(listener.Addr().String())
		ports = append(ports, port)
		go accept(listener)
	}
	fmt.Fprintln(out, strings.Join(ports, " "))
	_, err := io.Copy(io.Discard, in)
	return err
}

func accept(listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err == nil {
			go answer(conn)
		}
	}
}

// The frames of Modbus TCP. Source: Modbus Messaging on TCP/IP Implementation
// Guide V1.0b, section 3.1.3.
const (
	askedBytes = 12 // transaction, protocol, length, unit, function, address, count
	headBytes  = 9  // transaction, protocol, length, unit, function, byte count
	mostWords  = 125
)

// answer answers one connection. Whoever asks waits for the answer, so that
// each request comes in one piece and alone.
func answer(conn net.Conn) {
	defer conn.Close()
	var asked [askedBytes]byte
	frame := make([]byte, headBytes+2*mostWords)
	for {
		if _, err := io.ReadFull(conn, asked[:]); err != nil {
			return
		}
		address, count := binary.BigEndian.Uint16(asked[8:]), int(binary.BigEndian.Uint16(asked[10:]))
		if count > mostWords {
			return
		}
		copy(frame, asked[:8])
		binary.BigEndian.PutUint16(frame[4:], uint16(3+2*count))
		frame[8] = byte(2 * count)
		for i := range count {
			binary.BigEndian.PutUint16(frame[headBytes+2*i:], uint16(asked[6])<<8|address+uint16(i))
		}
		if _, err := conn.Write(frame[:headBytes+2*count]); err != nil {
			return
		}
	}
}
