package poller

import "time"

// The characters of one read on a serial line, beside the data: the request
// (unit, function, address, quantity, CRC) and the answer (unit, function,
// byte count, CRC).
const (
	requestCharacters = 8
	replyCharacters   = 5
	bitsACharacter    = 11
)

// silence is the least time between frames above 19200 baud; up to there it is
// 3.5 characters.
const silence = 1750 * time.Microsecond

// Floor returns the least time that one cycle takes on a serial line of that
// speed in bit/s, with devices that answer at once:
//
//	T = ((8 + 5 + data bytes) * 11 / baud + 2 * t3.5 + pause) for each request
//
// Source: MODBUS over Serial Line V1.02, section 2.5.1.1: characters of 11
// bits, t3.5 of 3.5 characters up to 19200 baud and 1.750 ms above.
func (p *Plan) Floor(baud int) time.Duration {
	if baud <= 0 {
		return 0
	}
	var total time.Duration
	for i := range p.Requests {
		total += readFloor(p.Requests[i].bytes(), baud) + p.Gateway.Pause
	}
	return total
}

// readFloor is the least time of one read that brings so many bytes of data.
func readFloor(data, baud int) time.Duration {
	pause := silence
	if baud <= 19200 {
		pause = characters(7, baud) / 2
	}
	return characters(requestCharacters+replyCharacters+data, baud) + 2*pause
}

func characters(n, baud int) time.Duration {
	return time.Duration(n) * bitsACharacter * time.Second / time.Duration(baud)
}
