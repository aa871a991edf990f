package frame

// crcTables holds in crcTables[k] the CRC of every single byte with k zero
// bytes behind it, so that sixteen bytes are taken at a time by sixteen looks
// that do not wait for each other. The tables are 8 kB.
var crcTables = func() (t [crcBlock][256]uint16) {
	for i := range t[0] {
		crc := uint16(i)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
		t[0][i] = crc
	}
	for k := 1; k < crcBlock; k++ {
		for i, before := range t[k-1] {
			t[k][i] = before>>8 ^ t[0][byte(before)]
		}
	}
	return t
}()

const (
	crcStart = 0xFFFF
	crcBlock = 16 // bytes taken at a time
)

func crcNext(crc uint16, b byte) uint16 { return crc>>8 ^ crcTables[0][byte(crc)^b] }

// CRC is the check of an RTU frame over its unit and PDU: start 0xFFFF,
// polynomial 0xA001 shifted right, not inverted. It travels low byte first.
// Source: serial guide 6.2.2.
func CRC(b []byte) uint16 {
	crc := uint16(crcStart)
	if len(b) >= crcBlock/2 {
		crc, b = crcBlocks(b)
	}
	t := &crcTables
	if len(b) >= 4 {
		crc = t[1][b[2]] ^ t[0][b[3]] ^ t[3][b[0]^byte(crc)] ^ t[2][b[1]^byte(crc>>8)]
		b = b[4:]
	}
	for _, c := range b {
		crc = crcNext(crc, c)
	}
	return crc
}

// crcBlocks takes whole blocks and a half one, and gives what is left. Only the
// first two bytes of a block meet the CRC before them.
func crcBlocks(b []byte) (crc uint16, rest []byte) {
	crc = crcStart
	t := &crcTables
	for ; len(b) >= crcBlock; b = b[crcBlock:] {
		p := (*[crcBlock]byte)(b)
		crc = t[13][p[2]] ^ t[12][p[3]] ^ t[11][p[4]] ^ t[10][p[5]] ^ t[9][p[6]] ^ t[8][p[7]] ^
			t[7][p[8]] ^ t[6][p[9]] ^ t[5][p[10]] ^ t[4][p[11]] ^ t[3][p[12]] ^ t[2][p[13]] ^ t[1][p[14]] ^ t[0][p[15]] ^
			t[15][p[0]^byte(crc)] ^ t[14][p[1]^byte(crc>>8)]
	}
	if len(b) >= crcBlock/2 {
		p := (*[crcBlock / 2]byte)(b)
		crc = t[5][p[2]] ^ t[4][p[3]] ^ t[3][p[4]] ^ t[2][p[5]] ^ t[1][p[6]] ^ t[0][p[7]] ^
			t[7][p[0]^byte(crc)] ^ t[6][p[1]^byte(crc>>8)]
		b = b[crcBlock/2:]
	}
	return crc, b
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
