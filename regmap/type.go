package regmap

import "fmt"

// Type is how many registers a point takes and how they are read. The zero
// Type is not valid.
type Type uint8

// The point types. Nothing wider than 16 bits is defined by the Modbus
// standards; these are the forms met in devices (common practice).
const (
	TypeBool        Type = iota + 1 // coil, discrete input, or one bit of a register
	TypeInt16                       // two's complement
	TypeUint16                      //
	TypeInt32                       //
	TypeUint32                      //
	TypeInt64                       //
	TypeUint64                      //
	TypeFloat32                     // IEEE 754 binary32
	TypeFloat64                     // IEEE 754 binary64
	TypeSignMag16                   // top bit the sign, 15 bits of magnitude
	TypeBCD16                       // four decimal digits, one a nibble
	TypeBCD32                       // eight decimal digits
	TypeDecimalPair                 // two registers of four decimal digits each: high x 10000 + low
	TypeString                      // two characters a register
	TypeBits                        // a word of 16 or 32 named bits
	typeEnd
)

// typeRow is one type's facts: its name in map files, its registers (0 where
// the point says), and whether numbers of it can be scaled.
type typeRow struct {
	name      string
	registers int
	number    bool
}

var types = [typeEnd]typeRow{
	TypeBool:        {"bool", 1, false},
	TypeInt16:       {"int16", 1, true},
	TypeUint16:      {"uint16", 1, true},
	TypeInt32:       {"int32", 2, true},
	TypeUint32:      {"uint32", 2, true},
	TypeInt64:       {"int64", 4, true},
	TypeUint64:      {"uint64", 4, true},
	TypeFloat32:     {"float32", 2, true},
	TypeFloat64:     {"float64", 4, true},
	TypeSignMag16:   {"signmag16", 1, true},
	TypeBCD16:       {"bcd16", 1, true},
	TypeBCD32:       {"bcd32", 2, true},
	TypeDecimalPair: {"decimal-pair", 2, true},
	TypeString:      {"string", 0, false},
	TypeBits:        {"bits", 0, false},
}

// String is the type's name in map files; "type(n)" for anything else.
func (t Type) String() string {
	if t == 0 || t >= typeEnd {
		return fmt.Sprintf("type(%d)", uint8(t))
	}
	return types[t].name
}

// ParseType is the inverse of String; ok is false for any other text.
func ParseType(s string) (t Type, ok bool) {
	for t := Type(1); t < typeEnd; t++ {
		if types[t].name == s {
			return t, true
		}
	}
	return 0, false
}

// TypeNames lists the names of all types in their order.
func TypeNames() []string {
	names := make([]string, 0, typeEnd-1)
	for t := Type(1); t < typeEnd; t++ {
		names = append(names, types[t].name)
	}
	return names
}

// Number says whether values of the type are numbers that a scale applies to.
func (t Type) Number() bool { return t < typeEnd && types[t].number }

// Order is in which order the bytes of a value lie in its registers, lowest
// register first, high byte of each register first. The zero Order is most
// significant byte first (AB, ABCD, ABCDEFGH), as the standards send one
// register (V1.1b3, 4.2).
type Order uint8

// An order is which of two exchanges were made.
const (
	WordsSwapped Order = 1 << iota // lowest word first: CDAB, GHEFCDAB
	BytesSwapped                   // low byte of each register first: BA, BADC, BADCFEHG
)

// The orders of 32-bit values by their letters, A the most significant byte.
const (
	ABCD Order = 0
	CDAB       = WordsSwapped
	BADC       = BytesSwapped
	DCBA       = WordsSwapped | BytesSwapped
)

var orderLetters = map[int][4]string{
	1: {ABCD: "AB", BADC: "BA"},
	2: {ABCD: "ABCD", CDAB: "CDAB", BADC: "BADC", DCBA: "DCBA"},
	4: {ABCD: "ABCDEFGH", CDAB: "GHEFCDAB", BADC: "BADCFEHG", DCBA: "HGFEDCBA"},
}

// Letters names the order for a value of the given number of registers: "AB",
// "CDAB", "HGFEDCBA". Swapped words of a single register change nothing.
func (o Order) Letters(registers int) string {
	if registers == 1 {
		o &= BytesSwapped
	}
	return orderLetters[registers][o&3]
}

// ParseOrder reads order letters; registers is how wide a value they are for.
func ParseOrder(s string) (o Order, registers int, ok bool) {
	for n, letters := range orderLetters {
		for o, name := range letters {
			if name == s && s != "" {
				return Order(o), n, true
			}
		}
	}
	return 0, 0, false
}

// join puts 1, 2 or 4 registers together, most significant first.
func (o Order) join(raw []uint16) uint64 {
	var n uint64
	if o == ABCD {
		for _, w := range raw {
			n = n<<16 | uint64(w)
		}
		return n
	}
	for i := range raw {
		w := raw[i]
		if o&WordsSwapped != 0 {
			w = raw[len(raw)-1-i]
		}
		if o&BytesSwapped != 0 {
			w = w<<8 | w>>8
		}
		n = n<<16 | uint64(w)
	}
	return n
}

// split is the inverse of join for the given number of registers.
func (o Order) split(dst []uint16, n uint64, registers int) []uint16 {
	at := len(dst)
	for i := range registers {
		shift := 16 * (registers - 1 - i)
		if o&WordsSwapped != 0 {
			shift = 16 * i
		}
		w := uint16(n >> shift)
		if o&BytesSwapped != 0 {
			w = w<<8 | w>>8
		}
		dst = append(dst, w)
	}
	return dst[:at+registers]
}
