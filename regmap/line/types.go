// Package line reads line files: one physical or network link, its settings
// and the stations on it. It is data only; nothing is opened here. Medium and
// framing are kept apart, because RTU also travels inside TCP.
package line

import "fmt"

// Framing is how a PDU is wrapped on the line. The zero Framing is not valid.
type Framing uint8

// The framings of the standards: MBAP (Modbus Messaging on TCP/IP V1.0b,
// 3.1.3), RTU and ASCII (Modbus over Serial Line V1.02, 2.5.1 and 2.5.2).
const (
	MBAP Framing = iota + 1
	RTU
	ASCII
)

// String is the framing's name in line files and on the command line: "mbap",
// "rtu", "ascii".
func (f Framing) String() string {
	switch f {
	case MBAP:
		return "mbap"
	case RTU:
		return "rtu"
	case ASCII:
		return "ascii"
	}
	return fmt.Sprintf("framing(%d)", uint8(f))
}

// ParseFraming is the inverse of String; ok is false for any other text.
func ParseFraming(s string) (f Framing, ok bool) {
	for _, f := range []Framing{MBAP, RTU, ASCII} {
		if f.String() == s {
			return f, true
		}
	}
	return 0, false
}

// Parity is the parity bit of a serial character. The zero Parity is not valid.
type Parity uint8

// The parities of Modbus over Serial Line V1.02, 2.5.1; even is the default.
const (
	Even Parity = iota + 1
	Odd
	None
)

// String is the parity's name in line files: "even", "odd", "none".
func (p Parity) String() string {
	switch p {
	case Even:
		return "even"
	case Odd:
		return "odd"
	case None:
		return "none"
	}
	return fmt.Sprintf("parity(%d)", uint8(p))
}

// RS485 says what turns the line's driver from listening to talking and back.
// The zero RS485 is the usual one: the adapter turns by itself.
type RS485 uint8

// The ways of turning a two-wire line's driver.
const (
	SelfTurning RS485 = iota // by the adapter
	KernelTurns              // by the port's driver in the kernel, with the delays that the board gives it
	RTSTurns                 // by this program: RTS is on while it talks
	RTSInverted              // by this program: RTS is off while it talks
)

// rs485Words are the ways that a line file can name.
var rs485Words = []string{"kernel", "rts", "rts-inverted"}

// String is the way's name in line files; "" for the adapter's own.
func (r RS485) String() string {
	if r == SelfTurning || int(r) > len(rs485Words) {
		return ""
	}
	return rs485Words[r-1]
}

// Serial is the settings of a serial line. The zero Serial is not valid; use
// DefaultSerial.
type Serial struct {
	Port   string // device path, or a pseudo-terminal's
	Baud   int    // bit/s
	Parity Parity
	Stop   int // stop bits, 1 or 2
	RS485  RS485
}

// DefaultSerial is 19200 bit/s, even parity, one stop bit.
// Source: Modbus over Serial Line V1.02, 2.5.1 and 3.2.
func DefaultSerial(port string) Serial {
	return Serial{Port: port, Baud: 19200, Parity: Even, Stop: 1}
}

// String is the settings in the trade's short form: "19200 8E1".
func (s Serial) String() string {
	letter := map[Parity]string{Even: "E", Odd: "O", None: "N"}[s.Parity]
	return fmt.Sprintf("%d 8%s%d", s.Baud, letter, s.Stop)
}
