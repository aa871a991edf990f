package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// address is a cell of an address column, before it is known from which number
// the list counts.
type address struct {
	number int    // as written; of a reference all its digits
	text   string // its digits, zeros kept
	last   int    // end of a range; -1: none
	bit    int    // -1: none
	hex    bool
	table  regmap.Table // named by a prefix such as HR; 0: none
	short  bool         // the table's digit stood apart ("4x17"): the number counts from 1
}

var (
	prefixPattern = regexp.MustCompile(`^(holding|input|hr|ir|co|di|do|coil|reg|r|%?mw|%?mx|address|addr)[ .:#_-]*([0-9].*)$`)
	digitPattern  = regexp.MustCompile(`^([0134])\s?x\s?([0-9]{1,6})$`)
	hexCell       = regexp.MustCompile(`^(?:0x|16#|\$|&h|#)([0-9a-f]{1,6})$|^([0-9a-f]{1,6})h$`)
	thousands     = regexp.MustCompile(`^[0-9]{1,3}[,' ][0-9]{3}$`)
	rangeCell     = regexp.MustCompile(`^(.+?)\s*(?:-|–|—|\.\.+|…|to|bis|\+|/|,|;|&)\s*(.+)$`)
	bitCell       = regexp.MustCompile(`^([0-9a-fx#]+?)\s*(?:\.|:|/|\s+bit\s*|\.bit\s*|,\s*bit\s*|\[)\s*(?:bit\s*|b)?([0-9]{1,2})\]?$`)
)

var digitTables = map[string]regmap.Table{"0": regmap.Coil, "1": regmap.DiscreteInput, "3": regmap.InputRegister, "4": regmap.HoldingRegister}

var prefixTables = map[string]regmap.Table{
	"holding": regmap.HoldingRegister, "hr": regmap.HoldingRegister, "input": regmap.InputRegister, "ir": regmap.InputRegister,
	"co": regmap.Coil, "coil": regmap.Coil, "do": regmap.Coil, "di": regmap.DiscreteInput,
}

// parseAddress reads an address cell: 40001, 400001, 00017, 17, 0x10, 10h,
// 16#10, 4x0017, HR 17, 40001-40002, 40017.3.
func parseAddress(cell string) (address, error) {
	a := address{last: -1, bit: -1}
	s := strings.ToLower(clean(cell))
	if m := prefixPattern.FindStringSubmatch(s); m != nil {
		a.table, s = prefixTables[m[1]], m[2]
	}
	if a.one(s) {
		return a, nil
	}
	if m := bitCell.FindStringSubmatch(s); m != nil {
		bit, _ := strconv.Atoi(m[2])
		if b := a; b.one(m[1]) && bit <= 32 && !(strings.Contains(s, "/") && bit == b.number+1) {
			b.bit = bit
			return b, nil
		}
	}
	if m := rangeCell.FindStringSubmatch(s); m != nil {
		end := a
		if a.one(m[1]) && end.one(m[2]) {
			return a.upTo(end, cell)
		}
	}
	return address{}, fmt.Errorf("%q is no address; 40001, 400001, 17, 0x10, 40001-40002 and 40017.3 are read", clip(cell))
}

// upTo makes a range of two addresses; the end may leave out leading digits:
// 40001-02.
func (a address) upTo(end address, cell string) (address, error) {
	a.last = end.number
	first, isFirst := a.reference()
	if last, ok := end.reference(); ok && isFirst && last.Table == first.Table && len(end.text) > len(a.text) { // 49999-410000
		a.last = a.number + last.Number - first.Number
	}
	if end.number < a.number && !a.hex && len(end.text) < len(a.text) {
		whole, _ := strconv.Atoi(a.text[:len(a.text)-len(end.text)] + end.text)
		a.last = whole
	}
	if a.last < a.number {
		return address{}, fmt.Errorf("%q runs backwards", clip(cell))
	}
	return a, nil
}

// one reads a single number.
func (a *address) one(s string) bool {
	s = strings.TrimSpace(s)
	if thousands.MatchString(s) {
		s = s[:len(s)-4] + s[len(s)-3:]
	}
	if m := digitPattern.FindStringSubmatch(s); m != nil && (m[1] != "0" || len(m[2]) > 4) {
		a.table, a.short = digitTables[m[1]], true // 0x and up to four digits is hexadecimal
		a.number, _ = strconv.Atoi(m[2])
		a.text = m[2]
		return true
	}
	if m := hexCell.FindStringSubmatch(s); m != nil {
		return a.hexNumber(m[1] + m[2])
	}
	if s == "" || len(s) > 6 || strings.Trim(s, "0123456789") != "" {
		return false
	}
	a.number, _ = strconv.Atoi(s)
	a.text = s
	return true
}

// hexNumber reads hexadecimal digits.
func (a *address) hexNumber(digits string) bool {
	v, err := strconv.ParseUint(digits, 16, 32)
	a.number, a.text, a.hex = int(v), digits, true
	return err == nil
}

// reference is the address as a traditional number, where its digits are one.
func (a address) reference() (regmap.Reference, bool) {
	if a.hex || a.short {
		return regmap.Reference{}, false
	}
	r, err := regmap.ParseReference(a.text)
	return r, err == nil
}

// clip cuts a quoted text to a readable length.
func clip(s string) string {
	const longest = 60
	if s = clean(s); len(s) > longest {
		return strings.ToValidUTF8(s[:longest], "") + "..."
	}
	return s
}

// tableWords are ways to name a table. Common practice.
var tableWords = map[string]regmap.Table{
	"coil": regmap.Coil, "coils": regmap.Coil, "co": regmap.Coil, "c": regmap.Coil, "0x": regmap.Coil, "0xxxx": regmap.Coil, "0xxxxx": regmap.Coil, "0": regmap.Coil,
	"output coil": regmap.Coil, "coil status": regmap.Coil, "discrete output": regmap.Coil, "digital output": regmap.Coil, "do": regmap.Coil, "output status": regmap.Coil,
	"discrete input": regmap.DiscreteInput, "discrete inputs": regmap.DiscreteInput, "di": regmap.DiscreteInput, "1x": regmap.DiscreteInput, "1": regmap.DiscreteInput,
	"1xxxx": regmap.DiscreteInput, "1xxxxx": regmap.DiscreteInput, "input status": regmap.DiscreteInput, "digital input": regmap.DiscreteInput, "contact": regmap.DiscreteInput, "discrete": regmap.DiscreteInput,
	"input register": regmap.InputRegister, "input registers": regmap.InputRegister, "input": regmap.InputRegister, "inputs": regmap.InputRegister, "ir": regmap.InputRegister,
	"3x": regmap.InputRegister, "3xxxx": regmap.InputRegister, "3xxxxx": regmap.InputRegister, "analog input": regmap.InputRegister, "analogue input": regmap.InputRegister, "ai": regmap.InputRegister, "3": regmap.InputRegister,
	"holding register": regmap.HoldingRegister, "holding registers": regmap.HoldingRegister, "holding": regmap.HoldingRegister, "hr": regmap.HoldingRegister, "4": regmap.HoldingRegister,
	"4x": regmap.HoldingRegister, "4xxxx": regmap.HoldingRegister, "4xxxxx": regmap.HoldingRegister, "output register": regmap.HoldingRegister, "hold reg": regmap.HoldingRegister,
	"analog output": regmap.HoldingRegister, "analogue output": regmap.HoldingRegister, "ao": regmap.HoldingRegister, "holdingregister": regmap.HoldingRegister, "inputregister": regmap.InputRegister, "discreteinput": regmap.DiscreteInput,
}

// parseTableWord reads a cell that names a table.
func parseTableWord(s string) (regmap.Table, bool) {
	t, ok := tableWords[normal(s)]
	return t, ok
}

// access is what a list says about reading and writing.
type access struct{ read, write bool }

var accessWords = map[string]access{
	"r": {true, false}, "ro": {true, false}, "read": {true, false}, "read only": {true, false}, "readonly": {true, false}, "rd": {true, false}, "lesen": {true, false}, "nur lesen": {true, false}, "lecture": {true, false}, "lecture seule": {true, false}, "solo lectura": {true, false}, "get": {true, false}, "monitor": {true, false},
	"w": {false, true}, "wo": {false, true}, "write": {false, true}, "write only": {false, true}, "writeonly": {false, true}, "wr": {false, true}, "schreiben": {false, true}, "set": {false, true}, "command": {false, true},
	"rw": {true, true}, "r w": {true, true}, "read write": {true, true}, "readwrite": {true, true}, "rd wr": {true, true}, "read and write": {true, true}, "l s": {true, true}, "lesen schreiben": {true, true}, "lesen und schreiben": {true, true}, "lecture ecriture": {true, true}, "lectura escritura": {true, true}, "get set": {true, true}, "r and w": {true, true}, "wr rd": {true, true}, "w r": {true, true}, "write read": {true, true}, "setting": {true, true},
}

// parseAccess reads R, RO, R/W, read only, W and the like.
func parseAccess(s string) (access, bool) {
	a, ok := accessWords[normal(s)]
	if first, _, more := strings.Cut(s, ","); !ok && more { // "read only, rolls over"
		a, ok = accessWords[normal(first)]
	}
	return a, ok
}

var codePattern = regexp.MustCompile(`^(?:fc|f|0x)?\s*0*([0-9]{1,2})$`)

// functionTables are the tables of the function codes in decimal.
// Source: V1.1b3, 5.1.
var functionTables = map[int]regmap.Table{
	1: regmap.Coil, 2: regmap.DiscreteInput, 3: regmap.HoldingRegister, 4: regmap.InputRegister,
	5: regmap.Coil, 6: regmap.HoldingRegister, 15: regmap.Coil, 16: regmap.HoldingRegister, 22: regmap.HoldingRegister, 23: regmap.HoldingRegister,
}

// functions is what a function code cell says.
type functions struct {
	table regmap.Table
	write bool
}

// parseFunctions reads one function code or several: 03, FC3, 3/6/16, and the
// hexadecimal 0F and 10 beside 0x.
func parseFunctions(s string) (functions, bool) {
	var f functions
	for _, part := range strings.FieldsFunc(strings.ToLower(clean(s)), func(r rune) bool { return strings.ContainsRune("/,;+& ", r) }) {
		if part == "fc" {
			continue
		}
		code := 0
		switch m := codePattern.FindStringSubmatch(part); {
		case strings.HasSuffix(part, "0x10"), strings.HasSuffix(part, "10h"):
			code = 16
		case strings.HasSuffix(part, "0f"):
			code = 15
		case m == nil:
			return functions{}, false
		default:
			code, _ = strconv.Atoi(m[1])
		}
		t, ok := functionTables[code]
		if !ok || f.table != 0 && f.table != t {
			return functions{}, false
		}
		f.table, f.write = t, f.write || code > 4
	}
	return f, f.table != 0
}
