package frame

import (
	"encoding/binary"
	"fmt"
	"strconv"

	"plumbline/regmap/line"
)

// A Direction says which way a frame goes. The zero Direction is not known.
type Direction uint8

// The two directions.
const (
	Asking    Direction = iota + 1 // from client to station
	Answering                      // from station to client
)

// String is "request", "response" or "unknown".
func (d Direction) String() string {
	switch d {
	case Asking:
		return "request"
	case Answering:
		return "response"
	}
	return "unknown"
}

// A Field is a run of bytes of a frame with its meaning. In ASCII, Offset and
// Length count characters.
type Field struct {
	Offset, Length int
	Name           string // start_address, quantity, byte_count ...
	Value          int64  // big-endian number of up to eight bytes (the CRC as it is computed); 0 for longer ones
	Words          string // for people: no capital, no full stop
}

// Explain gives every byte of a frame exactly once, in order, whether or not
// the frame is right: bytes that a frame should not have are named so. A frame
// of unknown direction is explained as a request. asked, which may be nil, is
// the request that an answer belongs to; it lends the addresses. A framing that
// is not known takes the bytes for a bare PDU.
func Explain(f line.Framing, adu []byte, d Direction, asked *Request) []Field {
	switch f {
	case line.MBAP:
		return explainMBAP(adu, d, asked)
	case line.RTU:
		return explainRTU(adu, d, asked)
	case line.ASCII:
		return explainASCII(adu, d, asked)
	}
	return explainPDU(adu, d, asked)
}

func explainMBAP(adu []byte, d Direction, asked *Request) []Field {
	w := walker{b: adu}
	w.number(2, "transaction_identifier", func(v int) string { return fmt.Sprintf("transaction %d", v) })
	w.number(2, "protocol_identifier", func(v int) string {
		if v == 0 {
			return "protocol 0, Modbus"
		}
		return fmt.Sprintf("protocol %d; Modbus is 0", v)
	})
	length := 0
	w.number(2, "length", func(v int) string {
		length = v
		return fmt.Sprintf("length: %s follow, unit and PDU", plural(v, "byte"))
	})
	w.unit()
	end := min(len(adu), max(w.at, mbapCount+length))
	w.nest(adu[w.at:end], d, asked)
	w.rest()
	return w.fields
}

func explainRTU(adu []byte, d Direction, asked *Request) []Field {
	w := walker{b: adu}
	w.unit()
	w.nest(adu[w.at:max(w.at, len(adu)-2)], d, asked)
	if len(adu)-w.at == 2 && w.at > 0 {
		found := binary.LittleEndian.Uint16(adu[w.at:])
		words := "CRC, low byte first"
		if computed := CRC(adu[:w.at]); computed != found {
			words = fmt.Sprintf("CRC wrong, low byte first: the bytes ask for %02X %02X", byte(computed), byte(computed>>8))
		}
		w.add(2, "crc", int64(found), words)
	}
	w.cut = w.cut || len(adu) < minRTU
	w.rest()
	return w.fields
}

// explainASCII explains the bytes behind the characters of a frame that has the
// right form; of any other it names the characters only.
func explainASCII(adu []byte, d Direction, asked *Request) []Field {
	w := walker{b: adu}
	if len(adu) == 0 || checkASCII(adu, adu[len(adu)-1]) != nil {
		w.add(len(adu), "characters", 0, "not an ASCII frame")
		return w.fields
	}
	data := make([]byte, 0, MaxPDU+2)
	for i := 1; i+3 < len(adu); i += 2 {
		high, _ := hexValue(adu[i])
		low, _ := hexValue(adu[i+1])
		data = append(data, high<<4|low)
	}
	w.add(1, "colon", ':', "colon, start of the frame")
	inner := walker{b: data}
	inner.unit()
	n := len(data) - 1
	inner.nest(data[inner.at:n], d, asked)
	words := "LRC"
	if computed := LRC(data[:n]); computed != data[n] {
		words = fmt.Sprintf("LRC wrong: the bytes ask for %02X", computed)
	}
	inner.add(1, "lrc", int64(data[n]), words)
	for _, f := range inner.fields {
		w.add(2*f.Length, f.Name, f.Value, f.Words)
	}
	w.add(2, "end", int64(word(adu, w.at)), "CR LF, end of the frame")
	return w.fields
}

// A walker names bytes from front to back. It never leaves its bytes: what does
// not fit any more is left for rest, and nothing is named after that.
type walker struct {
	b      []byte
	at     int
	fields []Field
	cut    bool
}

func (w *walker) add(n int, name string, value int64, words string) {
	if n <= 0 {
		return
	}
	w.fields = append(w.fields, Field{w.at, n, name, value, words})
	w.at += n
}

// left is the bytes not named yet.
func (w *walker) left() int {
	if w.cut {
		return 0
	}
	return len(w.b) - w.at
}

// number names an n-byte number and gives it back; 0 when it is cut off.
func (w *walker) number(n int, name string, words func(v int) string) int {
	if w.left() < n {
		w.cut = true
		return 0
	}
	v := 0
	for _, b := range w.b[w.at : w.at+n] {
		v = v<<8 | int(b)
	}
	w.add(n, name, int64(v), words(v))
	return v
}

func (w *walker) plain(n int, name, format string) int {
	return w.number(n, name, func(v int) string { return fmt.Sprintf(format, v) })
}

// counted is a number of things, "3 registers to read".
func (w *walker) counted(n int, name, what, tail string) int {
	return w.number(n, name, func(v int) string { return plural(v, what) + tail })
}

func (w *walker) unit() { w.number(1, "unit_identifier", unitWords) }

func unitWords(v int) string {
	if v == 0 {
		return "unit 0, every station on a serial line"
	}
	return fmt.Sprintf("unit %d", v)
}

// opaque names n bytes, or what is left of them, as one field.
func (w *walker) opaque(n int, name, words string) {
	n = min(n, w.left())
	if n <= 0 {
		return
	}
	var v int64
	if n <= 8 {
		for _, b := range w.b[w.at : w.at+n] {
			v = v<<8 | int64(b)
		}
	}
	w.add(n, name, v, words)
}

// rest names what no rule accounts for.
func (w *walker) rest() {
	n := len(w.b) - w.at
	if n <= 0 {
		return
	}
	words := fmt.Sprintf("%s too many, after the end", plural(n, "byte"))
	if w.cut {
		words = "cut off: the frame ends before this field does"
	}
	w.cut = false
	w.opaque(n, "rest", words)
}

// nest explains a PDU that stands at the walker's place.
func (w *walker) nest(pdu []byte, d Direction, asked *Request) {
	if w.cut {
		return
	}
	for _, f := range explainPDU(pdu, d, asked) {
		f.Offset = w.at
		w.fields = append(w.fields, f)
		w.at += f.Length
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// shownText is text for a person with everything but printable ASCII quoted.
func shownText(b []byte) string {
	quoted := strconv.QuoteToASCII(string(b))
	return quoted[1 : len(quoted)-1]
}
