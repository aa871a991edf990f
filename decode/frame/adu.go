package frame

import (
	"encoding/binary"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Lengths of whole frames. Source: V1.1b3 4.1; serial guide 2.5.1 (RTU), 2.5.2.1
// (ASCII); TCP guide 3.1.3 (the MBAP header).
const (
	MaxRTU   = 256 // bytes
	MaxMBAP  = 260 // bytes
	MaxASCII = 513 // characters

	mbapHead   = 7 // transaction, protocol, length, unit
	mbapCount  = 6 // bytes in front of what the length field counts
	rtuExtra   = 3 // unit, CRC
	minRTU     = rtuExtra + 1
	asciiExtra = 7 // colon, unit, LRC, CR, LF
	minASCII   = asciiExtra + 2
)

// An ADU is a PDU as it travels. PDU aliases the bytes it was parsed from, but
// in ASCII.
type ADU struct {
	Framing     line.Framing
	Transaction uint16 // MBAP only
	Unit        regmap.Unit
	PDU         []byte
}

// ADULength is the bytes, in ASCII characters, of a frame with a PDU of n
// bytes; 0 for an unknown framing.
func ADULength(f line.Framing, n int) int {
	switch f {
	case line.MBAP:
		return mbapHead + n
	case line.RTU:
		return rtuExtra + n
	case line.ASCII:
		return asciiExtra + 2*n
	}
	return 0
}

// AppendADU appends the whole frame. It refuses a PDU that is empty or beyond
// 253 bytes (ErrShort, ErrLong) and an unknown framing.
func AppendADU(dst []byte, a ADU) ([]byte, error) {
	if err := pduLength(len(a.PDU)); err != nil {
		return nil, err
	}
	start := len(dst)
	switch a.Framing {
	case line.MBAP:
		dst = binary.BigEndian.AppendUint16(dst, a.Transaction)
		dst = binary.BigEndian.AppendUint16(dst, 0)
		dst = binary.BigEndian.AppendUint16(dst, uint16(len(a.PDU)+1))
		return append(append(dst, byte(a.Unit)), a.PDU...), nil
	case line.RTU:
		dst = append(append(dst, byte(a.Unit)), a.PDU...)
		return binary.LittleEndian.AppendUint16(dst, CRC(dst[start:])), nil
	case line.ASCII:
		dst = appendHex(append(dst, ':'), byte(a.Unit))
		sum := -byte(a.Unit)
		for _, b := range a.PDU {
			dst = appendHex(dst, b)
			sum -= b
		}
		return append(appendHex(dst, sum), '\r', '\n'), nil
	}
	return nil, reject(ErrFraming, 0, "%v; mbap, rtu and ascii are known", a.Framing)
}

func pduLength(n int) error {
	switch {
	case n == 0:
		return reject(ErrShort, 0, "a PDU has at least its function code (V1.1b3 4.1)")
	case n > MaxPDU:
		return reject(ErrLong, MaxPDU, "a PDU of %d bytes; at most %d are allowed (V1.1b3 4.1)", n, MaxPDU)
	}
	return nil
}

const hexDigits = "0123456789ABCDEF"

func appendHex(dst []byte, b byte) []byte { return append(dst, hexDigits[b>>4], hexDigits[b&15]) }

// hexValue is the value of one upper-case hex character. Source: serial guide
// 2.5.2 (0-9 and A-F only).
func hexValue(c byte) (v byte, ok bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

// ParseADU reads exactly one whole frame. The errors are ErrShort, ErrLong,
// ErrChecksum (with the check computed and found), ErrLength and ErrProtocol
// (MBAP), ErrCharacter (ASCII) and ErrFraming. In ASCII the PDU is new memory;
// see ParseADUInto.
func ParseADU(f line.Framing, b []byte) (ADU, error) { return ParseADUInto(nil, f, b) }

// ParseADUInto is ParseADU with memory for the PDU of an ASCII frame; it makes
// new memory when scratch holds less than 254 bytes.
func ParseADUInto(scratch []byte, f line.Framing, b []byte) (ADU, error) {
	switch f {
	case line.MBAP:
		return parseMBAP(b)
	case line.RTU:
		return parseRTU(b)
	case line.ASCII:
		return parseASCII(scratch, b, '\n')
	}
	return ADU{}, reject(ErrFraming, 0, "%v; mbap, rtu and ascii are known", f)
}

func parseMBAP(b []byte) (ADU, error) {
	n, err := mbapLength(b)
	switch {
	case err != nil:
		return ADU{}, err
	case n == 0 || len(b) < n:
		return ADU{}, reject(ErrShort, len(b), "%d bytes; the header and what it promises take %d (TCP guide 3.1.3)", len(b), max(n, mbapHead+1))
	case len(b) > n:
		return ADU{}, reject(ErrLong, n, "%d bytes; the header promises %d (TCP guide 3.1.3)", len(b), n)
	}
	return mbapADU(b[:n])
}

// mbapADU makes the ADU of a frame whose length is right.
func mbapADU(b []byte) (ADU, error) {
	if p := word(b, 2); p != 0 {
		return ADU{}, reject(ErrProtocol, 2, "protocol identifier %d; Modbus is 0 (TCP guide 3.1.3)", p)
	}
	return ADU{Framing: line.MBAP, Transaction: word(b, 0), Unit: regmap.Unit(b[6]), PDU: b[mbapHead:]}, nil
}

// mbapLength is the whole length of the frame that b begins; 0 while it cannot
// be known.
func mbapLength(b []byte) (int, error) {
	if len(b) < mbapCount {
		return 0, nil
	}
	n := int(word(b, 4))
	if n < 2 || n > MaxPDU+1 {
		return 0, reject(ErrLength, 4, "length field %d; unit and PDU take 2 to %d (TCP guide 3.1.3, V1.1b3 4.1)", n, MaxPDU+1)
	}
	return mbapCount + n, nil
}

func parseRTU(b []byte) (ADU, error) {
	switch {
	case len(b) < minRTU:
		return ADU{}, reject(ErrShort, len(b), "%d bytes; the shortest RTU frame has %d (serial guide 2.5.1)", len(b), minRTU)
	case len(b) > MaxRTU:
		return ADU{}, reject(ErrLong, MaxRTU, "%d bytes; an RTU frame has at most %d (serial guide 2.5.1)", len(b), MaxRTU)
	}
	n := len(b) - 2
	computed, found := CRC(b[:n]), binary.LittleEndian.Uint16(b[n:])
	if computed != found {
		return ADU{}, crcError(n, computed, found)
	}
	return ADU{Framing: line.RTU, Unit: regmap.Unit(b[0]), PDU: b[1:n]}, nil
}

func crcError(at int, computed, found uint16) *Error {
	e := reject(ErrChecksum, at, "CRC %02X %02X came, the bytes ask for %02X %02X (serial guide 2.5.1.2)",
		byte(found), byte(found>>8), byte(computed), byte(computed>>8))
	e.Computed, e.Found = computed, found
	return e
}

// parseASCII reads a frame that begins with a colon and ends with CR and end.
func parseASCII(scratch, b []byte, end byte) (ADU, error) {
	if err := checkASCII(b, end); err != nil {
		return ADU{}, err
	}
	digits := b[1 : len(b)-2]
	if cap(scratch) < len(digits)/2 {
		scratch = make([]byte, 0, MaxPDU+2)
	}
	data := scratch[:0]
	for i := 0; i < len(digits); i += 2 {
		high, _ := hexValue(digits[i])
		low, _ := hexValue(digits[i+1])
		data = append(data, high<<4|low)
	}
	n := len(data) - 1
	if computed := LRC(data[:n]); computed != data[n] {
		e := reject(ErrChecksum, 1+2*n, "LRC %02X came, the bytes ask for %02X (serial guide 2.5.2.2)", data[n], computed)
		e.Computed, e.Found = uint16(computed), uint16(data[n])
		return ADU{}, e
	}
	return ADU{Framing: line.ASCII, Unit: regmap.Unit(data[0]), PDU: data[1:n:n]}, nil
}

// checkASCII judges everything but the LRC.
func checkASCII(b []byte, end byte) error {
	n := len(b)
	if n > 0 && b[0] != ':' {
		return reject(ErrCharacter, 0, "%q in front; a frame begins with a colon (serial guide 2.5.2.1)", b[0])
	}
	if n > MaxASCII {
		return reject(ErrLong, MaxASCII, "%d characters; an ASCII frame has at most %d (serial guide 2.5.2.1)", n, MaxASCII)
	}
	for i := 1; i < n; i++ {
		switch _, ok := hexValue(b[i]); {
		case ok, b[i] == '\r' && i == n-2 && b[n-1] == end, b[i] == end && i == n-1 && b[i-1] == '\r', b[i] == '\r' && i == n-1:
		default:
			return reject(ErrCharacter, i, "%q; only 0-9 and A-F stand between colon and CR LF (serial guide 2.5.2.1)", b[i])
		}
	}
	switch {
	case n < 2 || b[n-1] != end || b[n-2] != '\r':
		return reject(ErrShort, n, "%d characters without CR LF at the end (serial guide 2.5.2.1)", n)
	case n < minASCII:
		return reject(ErrShort, n, "%d characters; the shortest ASCII frame has %d (serial guide 2.5.2.1)", n, minASCII)
	}
	if (n-3)%2 != 0 {
		return reject(ErrShort, n-2, "%d hex characters; each byte has two (serial guide 2.5.2)", n-3)
	}
	return nil
}
