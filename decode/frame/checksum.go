package frame

// crcTable holds the CRC of every single byte.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		crc := uint16(i)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
		t[i] = crc
	}
	return t
}()

const crcStart = 0xFFFF

func crcNext(crc uint16, b byte) uint16 { return crc>>8 ^ crcTable[byte(crc)^b] }

// CRC is the check of an RTU frame over its unit and PDU: start 0xFFFF,
// polynomial 0xA001 shifted right, not inverted. It travels low byte first.
// Source: serial guide 6.2.2.
func CRC(b []byte) uint16 {
	crc := uint16(crcStart)
	for _, c := range b {
		crc = crcNext(crc, c)
	}
	return crc
}

// LRC is the check of an ASCII frame over the binary bytes of its unit and PDU:
// their negated sum. Source: serial guide 6.2.1.
func LRC(b []byte) byte {
	var sum byte
	for _, c := range b {
		sum += c
	}
	return -sum
}
