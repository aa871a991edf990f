package regmap

import (
	"errors"
	"fmt"
)

// Table is one of the four tables of the application protocol. The zero Table
// is not valid.
// Source: Modbus Application Protocol V1.1b3, 4.3.
type Table uint8

// The four tables, in the order of their traditional leading digit.
const (
	Coil            Table = iota + 1 // single bits, read and write; leading digit 0
	DiscreteInput                    // single bits, read only; leading digit 1
	InputRegister                    // 16-bit registers, read only; leading digit 3
	HoldingRegister                  // 16-bit registers, read and write; leading digit 4
)

// Tables lists all four tables in their order.
var Tables = [...]Table{Coil, DiscreteInput, InputRegister, HoldingRegister}

var tableNames = [...]string{"", "coil", "discrete-input", "input-register", "holding-register"}

// String is the table's name in map files: "coil", "discrete-input",
// "input-register", "holding-register"; "table(n)" for anything else.
func (t Table) String() string {
	if t < Coil || t > HoldingRegister {
		return fmt.Sprintf("table(%d)", uint8(t))
	}
	return tableNames[t]
}

// ParseTable is the inverse of String; ok is false for any other text.
func ParseTable(s string) (t Table, ok bool) {
	for _, t := range Tables {
		if tableNames[t] == s {
			return t, true
		}
	}
	return 0, false
}

// Bits says whether the table holds single bits (coils and discrete inputs)
// rather than 16-bit registers.
func (t Table) Bits() bool { return t == Coil || t == DiscreteInput }

// Writable says whether the protocol has a function that writes this table.
func (t Table) Writable() bool { return t == Coil || t == HoldingRegister }

// Address is a protocol address: the first item is 0, as sent on the wire.
// Source: V1.1b3, 4.4.
type Address uint16

// Unit is a station's number on a line (slave address, unit identifier). 0 is
// broadcast on a serial line; 1 to 247 are stations; 248 to 255 are reserved
// there, while 255 (or 0) means "this device" on TCP.
// Source: Modbus over Serial Line V1.02, 2.2; TCP guide V1.0b, 4.4.1.2.
type Unit uint8

// Broadcast is the unit number that every station on a serial line obeys and
// none answers.
const Broadcast Unit = 0

// TableSize is the number of items in each table: addresses 0 to 65535.
const TableSize = 65536

// A Span is a run of addresses in one table. Its end is summed in int, so it
// never wraps. The zero Span is empty and of no table.
type Span struct {
	Table Table
	First Address
	Count int
}

// End is the address after the last, up to 65536.
func (s Span) End() int { return int(s.First) + s.Count }

// Last is the last address; the span must not be empty.
func (s Span) Last() Address { return Address(s.End() - 1) }

// Contains says whether address a lies in the span (table not compared).
func (s Span) Contains(a Address) bool { return int(a) >= int(s.First) && int(a) < s.End() }

// Overlaps says whether both spans share an address of one table.
func (s Span) Overlaps(o Span) bool {
	return s.Table == o.Table && int(s.First) < o.End() && int(o.First) < s.End()
}

// String is for messages: the traditional references and, in brackets, the
// protocol addresses: "30003-30004 (address 2-3)".
func (s Span) String() string {
	first := ReferenceOf(s.Table, s.First)
	if s.Count <= 1 {
		return fmt.Sprintf("%s (address %d)", first, s.First)
	}
	return fmt.Sprintf("%s-%s (address %d-%d)", first, ReferenceOf(s.Table, s.Last()), s.First, s.Last())
}

// Reference is the traditional number of an item: counted from 1, the table as
// its leading digit, five digits or six. Common practice; the standards number
// each table from 1 without a table digit.
type Reference struct {
	Table  Table
	Number int // 1 to 65536
	Digits int // 5 or 6, as written
}

// ErrReference is wrapped by every error of ParseReference.
var ErrReference = errors.New("not a reference")

var leadingDigit = map[byte]Table{'0': Coil, '1': DiscreteInput, '3': InputRegister, '4': HoldingRegister}

// ParseReference reads a digit string of five or six digits, zeros kept:
// "00017" is coil 17 (address 16), "40001" and "400001" are holding register 1
// (address 0). The error wraps ErrReference.
func ParseReference(s string) (Reference, error) {
	if len(s) != 5 && len(s) != 6 {
		return Reference{}, fmt.Errorf("%w: %q has %d characters, a reference has five digits or six", ErrReference, s, len(s))
	}
	number := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return Reference{}, fmt.Errorf("%w: %q holds more than digits", ErrReference, s)
		}
		if i > 0 {
			number = number*10 + int(s[i]-'0')
		}
	}
	table, ok := leadingDigit[s[0]]
	if !ok {
		return Reference{}, fmt.Errorf("%w: %q begins with %c; 0 is coil, 1 discrete input, 3 input register, 4 holding register", ErrReference, s, s[0])
	}
	if number == 0 || number > TableSize {
		return Reference{}, fmt.Errorf("%w: %q counts from 1 to 65536 after its first digit", ErrReference, s)
	}
	return Reference{Table: table, Number: number, Digits: len(s)}, nil
}

// ReferenceOf is the reference of an address, with five digits where they
// reach and six beyond 9999.
func ReferenceOf(t Table, a Address) Reference {
	r := Reference{Table: t, Number: int(a) + 1, Digits: 5}
	if r.Number > 9999 {
		r.Digits = 6
	}
	return r
}

// Address is the protocol address that the reference means.
func (r Reference) Address() Address { return Address(r.Number - 1) }

// String is the digit string, zeros kept.
func (r Reference) String() string {
	lead := map[Table]int{Coil: 0, DiscreteInput: 1, InputRegister: 3, HoldingRegister: 4}[r.Table]
	return fmt.Sprintf("%d%0*d", lead, max(r.Digits, 5)-1, r.Number)
}
