package modbus

import (
	"errors"
	"fmt"
	"io"
	"net"
	"syscall"

	"github.com/simonvetter/modbus"

	"fanwarden/poller/reading"
)

// The exception codes of gateways (Modbus Application Protocol V1.1b3,
// section 7).
const (
	pathUnavailable = 0x0A
	targetSilent    = 0x0B
)

// namedCode returns the code of a refusal that the library has a name for, or
// 0 for its other errors.
func namedCode(err modbus.Error) uint8 {
	switch err {
	case modbus.ErrIllegalFunction:
		return 0x01
	case modbus.ErrIllegalDataAddress:
		return 0x02
	case modbus.ErrIllegalDataValue:
		return 0x03
	case modbus.ErrServerDeviceFailure:
		return 0x04
	case modbus.ErrAcknowledge:
		return 0x05
	case modbus.ErrServerDeviceBusy:
		return 0x06
	case modbus.ErrMemoryParityError:
		return 0x08
	case modbus.ErrGWPathUnavailable:
		return pathUnavailable
	case modbus.ErrGWTargetFailedToRespond:
		return targetSilent
	}
	return 0
}

// classify says how a read through the library ended.
func classify(err error) *reading.Failure {
	if code := exceptionCode(err); code != 0 {
		return exception(code)
	}
	return &reading.Failure{Outcome: outcome(err), Err: err}
}

// exception is the failure of a request that was refused with a code.
func exception(code uint8) *reading.Failure {
	return &reading.Failure{Outcome: exceptionOutcome(code), Code: code, Err: describe(code)}
}

// exceptionCode returns the code of an exception, or 0 for any other error.
func exceptionCode(err error) uint8 {
	var named modbus.Error
	if errors.As(err, &named) {
		return namedCode(named)
	}
	// Codes without a name come as nothing but this text.
	var code uint8
	if _, scan := fmt.Sscanf(err.Error(), "unknown exception code (%d)", &code); scan != nil {
		return 0
	}
	return code // 0 is no exception either: such a frame makes no sense
}

func exceptionOutcome(code uint8) reading.Outcome {
	switch code {
	case pathUnavailable:
		return reading.PathUnavailable
	case targetSilent:
		return reading.UnitSilent
	}
	return reading.Exception
}

// describe says what an exception means. Names: Modbus Application Protocol
// V1.1b3, section 7; 07 is from the older protocol reference guide and still
// met in the field (from memory).
func describe(code uint8) error {
	names := map[uint8]string{0x01: "illegal function", 0x02: "illegal data address", 0x03: "illegal data value",
		0x04: "server device failure", 0x05: "acknowledge", 0x06: "server device busy", 0x07: "negative acknowledge",
		0x08: "memory parity error", pathUnavailable: "gateway path unavailable",
		targetSilent: "gateway target device failed to respond"}
	name, known := names[code]
	if !known {
		name = "not a code of the standard"
	}
	return fmt.Errorf("exception %02X, %s", code, name)
}

// outcome says how a read ended that brought neither values nor an exception.
func outcome(err error) reading.Outcome {
	var named modbus.Error
	switch {
	case errors.Is(err, modbus.ErrRequestTimedOut):
		return reading.Timeout
	case errors.As(err, &named): // a bad CRC, a short frame, another unit, a frame that makes no sense
		return reading.Garbled
	case noWay(err):
		return reading.Refused
	case broken(err):
		return reading.Reset
	}
	return reading.Garbled
}

// noWay reports whether nobody listens there or no way leads there. UDP learns
// this only when it reads.
func noWay(err error) bool {
	for _, number := range []syscall.Errno{syscall.ECONNREFUSED, syscall.EHOSTUNREACH, syscall.ENETUNREACH,
		syscall.EHOSTDOWN, syscall.ENETDOWN, syscall.ENODEV, syscall.ENXIO} {
		if errors.Is(err, number) {
			return true
		}
	}
	return false
}

// broken reports whether the connection ended during the conversation. A
// serial adapter that is pulled out reads as an input/output error.
func broken(err error) bool {
	for _, other := range []error{io.EOF, io.ErrUnexpectedEOF, net.ErrClosed, syscall.ECONNRESET, syscall.EPIPE,
		syscall.ECONNABORTED, syscall.ENOTCONN, syscall.EIO, syscall.EBADF} {
		if errors.Is(err, other) {
			return true
		}
	}
	var network *net.OpError
	return errors.As(err, &network)
}
