package fault

// A Shaper knows the framing of a line well enough to read and change one
// field of a frame. The caller gives it, so that this package needs to know no
// frame. Both methods answer false for bytes that are no frame or have no such
// field.
type Shaper interface {
	// Field reads a field of adu.
	Field(adu []byte, f Field) (value int, ok bool)
	// With is adu with the field set and lengths and checksum made right again,
	// in new memory.
	With(adu []byte, f Field, value int) (changed []byte, ok bool)
}

// Field is a part of a frame that answer-as can change. The zero Field is not
// valid.
type Field uint8

// The fields.
const (
	UnitField        Field = iota + 1 // station number, 0 to 255
	FunctionField                     // function code with its exception bit, 0 to 255
	TransactionField                  // transaction identifier, 0 to 65535; MBAP only
	LengthField                       // bytes of data in the PDU after the function code, 0 to 252
)

var fieldNames = []string{"", "unit", "function", "transaction", "length"}

// String is the field's word in a script.
func (f Field) String() string { return nameIn(fieldNames, int(f)) }

// max is the largest value of the field. Sources: Modbus Messaging on TCP/IP
// V1.0b, 3.1.3 (header); Modbus Application Protocol V1.1b3, 4.1 (a PDU has
// at most 253 bytes).
func (f Field) max() int {
	switch f {
	case TransactionField:
		return 65535
	case LengthField:
		return 252
	}
	return 255
}
