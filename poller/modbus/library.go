package modbus

import (
	"github.com/simonvetter/modbus"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// library speaks every transport but TCP and RTU over TCP.
type library struct {
	client *modbus.ModbusClient
	unit   int // that the client is set to; -1: none yet
}

func (l *library) close() error { return l.client.Close() }

func (l *library) read(unit int, table decode.Table, address, count uint16, into []uint16) *reading.Failure {
	if unit != l.unit {
		l.client.SetUnitId(uint8(unit)) // never fails
		l.unit = unit
	}
	if err := l.ask(table, address, count, into); err != nil {
		return classify(err)
	}
	return nil
}

// ask asks, and unpacks the answer.
func (l *library) ask(table decode.Table, address, count uint16, into []uint16) error {
	if table.Bits() {
		bits, err := l.bits(table, address, count)
		for i, bit := range bits {
			into[i] = 0
			if bit {
				into[i] = 1
			}
		}
		return err
	}
	from := modbus.HOLDING_REGISTER
	if table == decode.Input {
		from = modbus.INPUT_REGISTER
	}
	// Raw bytes, because the library's own unpacking allocates once more.
	raw, err := l.client.ReadRawBytes(address, 2*count, from)
	if err != nil {
		return err
	}
	unpack(table, raw, into)
	return nil
}

func (l *library) bits(table decode.Table, address, count uint16) ([]bool, error) {
	if table == decode.Discrete {
		return l.client.ReadDiscreteInputs(address, count)
	}
	return l.client.ReadCoils(address, count)
}
