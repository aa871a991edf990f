package seek

import (
	"fmt"
	"slices"

	"plumbline/regmap/line"
)

// Settings are one way in which a line may be set. Serial is zero where a
// network carries the bytes.
type Settings struct {
	Framing line.Framing
	Serial  line.Serial
}

// Network says whether a network carries the bytes.
func (s Settings) Network() bool { return s.Serial.Baud == 0 }

// String is "rtu 19200 8E1", "ascii 9600 7E1", "mbap", "rtu inside a network".
// ASCII characters have seven data bits. Source: serial guide V1.02, 2.5.2.
func (s Settings) String() string {
	switch {
	case s.Network() && s.Framing == line.MBAP:
		return "mbap"
	case s.Network():
		return s.Framing.String() + " inside a network"
	case s.Framing == line.ASCII:
		letter := map[line.Parity]string{line.Even: "E", line.Odd: "O", line.None: "N"}[s.Serial.Parity]
		return fmt.Sprintf("ascii %d 7%s%d", s.Serial.Baud, letter, s.Serial.Stop)
	}
	return s.Framing.String() + " " + s.Serial.String()
}

// Known is what is known of a serial line beforehand; the zero Known is nothing.
type Known struct {
	Framing line.Framing
	Baud    int // bit/s
	Parity  line.Parity
	Stop    int
	RS485   line.RS485
	First   *Settings // tried before all others, because somebody wrote it down
}

// The speeds and characters, the likely ones first. 19200 and 9600 with even
// parity are what every device must have (serial guide V1.02, 2.5.1 and 3.2);
// the rest of the order is common practice.
var (
	likely = []line.Serial{{Baud: 19200, Parity: line.Even}, {Baud: 9600, Parity: line.Even}, {Baud: 9600, Parity: line.None}, {Baud: 19200, Parity: line.None}}
	speeds = []int{19200, 9600, 38400, 57600, 115200, 4800, 2400, 1200}
)

// SerialOrder is every setting of a serial line that what is known leaves open,
// in the order most likely to succeed: RTU with even parity or none, then odd
// parity, then ASCII.
//
// Without parity two stop bits are sent, as the standard has it (serial guide
// V1.02, 2.5.1): a station that expects one takes the second for silence. So
// 8N1 and 8N2 cannot be told apart, and stand here once.
func SerialOrder(port string, k Known) []Settings {
	var order []Settings
	add := func(f line.Framing, baud int, parity line.Parity) {
		stop := 1
		if parity == line.None {
			stop = 2
		}
		if k.Stop != 0 {
			stop = k.Stop
		}
		s := Settings{f, line.Serial{Port: port, Baud: baud, Parity: parity, Stop: stop, RS485: k.RS485}}
		if k.allows(s) && !slices.Contains(order, s) {
			order = append(order, s)
		}
	}
	if k.First != nil && k.allows(*k.First) {
		order = append(order, *k.First)
	}
	bauds := speeds
	if k.Baud != 0 && !slices.Contains(bauds, k.Baud) {
		bauds = []int{k.Baud}
	}
	for _, s := range likely {
		add(line.RTU, s.Baud, s.Parity)
	}
	for _, framing := range []line.Framing{line.RTU, line.ASCII} {
		for _, parities := range [][]line.Parity{{line.Even, line.None}, {line.Odd}} {
			for _, baud := range bauds {
				for _, parity := range parities {
					add(framing, baud, parity)
				}
			}
		}
	}
	return order
}

// allows says whether settings agree with what is known.
func (k Known) allows(s Settings) bool {
	return (k.Framing == 0 || k.Framing == s.Framing) && (k.Baud == 0 || k.Baud == s.Serial.Baud) &&
		(k.Parity == 0 || k.Parity == s.Serial.Parity) && (k.Stop == 0 || k.Stop == s.Serial.Stop)
}

// NetworkOrder is the framings that a network may carry, MBAP first; only the
// one that is known, where it is.
func NetworkOrder(known line.Framing) []Settings {
	if known != 0 {
		return []Settings{{Framing: known}}
	}
	return []Settings{{Framing: line.MBAP}, {Framing: line.RTU}, {Framing: line.ASCII}}
}
