package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// cellType is what a type cell says.
type cellType struct {
	name   string // of the map language; "" where only the sign or coding is said
	length int    // characters, for strings
	size   int    // bits, for words of bits
	order  string // letters of a 32-bit order; "" when not said
	unsure string // what was assumed

	signed, unsigned bool // said without a width

	bit                      int  // of a bool in a register, counted from 0, one more; 0: not said
	inverse, counter, signal bool // active when 0; counts up; a 4-20 mA signal
}

// typeNames are the names of types met in lists, in lower case without blanks.
// Source of the first row of each: IEC 61131-3:2013, table 10 (elementary data
// types); C names with their usual widths on controllers (common practice).
var typeNames = map[string]cellType{
	"bool": {name: "bool"}, "boolean": {name: "bool"}, "bit": {name: "bool"}, "digital": {name: "bool"}, "binary": {name: "bool"}, "discrete": {name: "bool"}, "flag": {name: "bool"},
	"sint": {name: "int16", unsure: "SINT has 8 bits; its register is read as one of 16 bits with sign"}, "usint": {name: "uint16", unsure: "USINT has 8 bits; the whole register is read"},
	"byte": {name: "uint16", unsure: "BYTE has 8 bits; the whole register is read"}, "int8": {name: "int16", unsure: "8 bits; the register is read as one of 16 bits with sign"}, "uint8": {name: "uint16", unsure: "8 bits; the whole register is read"},
	"char": {name: "uint16", unsure: "char has 8 bits; the whole register is read"}, "unsignedchar": {name: "uint16", unsure: "8 bits; the whole register is read"},
	"int": {name: "int16"}, "integer": {name: "int16"}, "int16": {name: "int16"}, "short": {name: "int16"}, "s16": {name: "int16"}, "i16": {name: "int16"}, "sint16": {name: "int16"}, "signed16": {name: "int16"}, "shortint": {name: "int16"}, "int16s": {name: "int16"},
	"uint": {name: "uint16"}, "word": {name: "uint16"}, "uint16": {name: "uint16"}, "unsignedshort": {name: "uint16"}, "ushort": {name: "uint16"}, "u16": {name: "uint16"}, "unsigned16": {name: "uint16"}, "unsignedint": {name: "uint16"}, "unsignedinteger": {name: "uint16"}, "enum": {name: "uint16"}, "enum16": {name: "uint16"}, "uinteger": {name: "uint16"}, "int16u": {name: "uint16"},
	"dint": {name: "int32"}, "int32": {name: "int32"}, "long": {name: "int32"}, "s32": {name: "int32"}, "i32": {name: "int32"}, "sint32": {name: "int32"}, "signed32": {name: "int32"}, "longint": {name: "int32"}, "signedlong": {name: "int32"}, "int32s": {name: "int32"}, "doubleint": {name: "int32"},
	"udint": {name: "uint32"}, "dword": {name: "uint32"}, "uint32": {name: "uint32"}, "unsignedlong": {name: "uint32"}, "ulong": {name: "uint32"}, "u32": {name: "uint32"}, "unsigned32": {name: "uint32"}, "doubleword": {name: "uint32"}, "int32u": {name: "uint32"}, "enum32": {name: "uint32"},
	"lint": {name: "int64"}, "int64": {name: "int64"}, "longlong": {name: "int64"}, "s64": {name: "int64"}, "i64": {name: "int64"}, "sint64": {name: "int64"}, "signed64": {name: "int64"},
	"ulint": {name: "uint64"}, "lword": {name: "uint64"}, "uint64": {name: "uint64"}, "unsignedlonglong": {name: "uint64"}, "u64": {name: "uint64"}, "unsigned64": {name: "uint64"},
	"real": {name: "float32"}, "float": {name: "float32"}, "float32": {name: "float32"}, "single": {name: "float32"}, "ieee754": {name: "float32"}, "f32": {name: "float32"}, "fp32": {name: "float32"}, "real32": {name: "float32"}, "ieeefloat": {name: "float32"}, "floatingpoint": {name: "float32"}, "real4": {name: "float32"}, "ieee": {name: "float32"}, "ieee754float": {name: "float32"}, "singlefloat": {name: "float32"},
	"lreal": {name: "float64"}, "double": {name: "float64"}, "float64": {name: "float64"}, "f64": {name: "float64"}, "real64": {name: "float64"}, "doublefloat": {name: "float64"}, "fp64": {name: "float64"},
	"string": {name: "string"}, "ascii": {name: "string"}, "text": {name: "string"}, "str": {name: "string"}, "chararray": {name: "string"},
	"bits": {name: "bits", size: 16}, "bitfield": {name: "bits", size: 16}, "bitmap": {name: "bits", size: 16}, "bitmask": {name: "bits", size: 16}, "bitfield16": {name: "bits", size: 16}, "bitfield32": {name: "bits", size: 32}, "statusword": {name: "bits", size: 16}, "bitstring": {name: "bits", size: 16}, "flags": {name: "bits", size: 16},
	"bcd": {name: "bcd16"}, "bcd16": {name: "bcd16"}, "bcd32": {name: "bcd32"}, "signmag16": {name: "signmag16"}, "signandmagnitude": {name: "signmag16"}, "signmagnitude": {name: "signmag16"}, "decimalpair": {name: "decimal-pair"}, "modulo10000": {name: "decimal-pair"}, "mod10k": {name: "decimal-pair"}, "m10k": {name: "decimal-pair"},
	"signed": {signed: true}, "unsigned": {unsigned: true}, "analog": {}, "analogue": {},
}

var (
	lengthPattern = regexp.MustCompile(`^(string|ascii|text|char|str|wstring)\s*(?:of\s+|[\[( ])\s*([0-9]{1,3})\s*(?:chars?|characters?|bytes?)?\s*[\])]?$`)
	widthPattern  = regexp.MustCompile(`([0-9]{2})-?bits?|bits?\s*([0-9]{2})`)
	bitWord       = regexp.MustCompile(`\b(?:16|32|64)?[-_ ]?bits?\b`)
	squeeze       = strings.NewReplacer(" ", "", "-", "", "_", "", "(", "", ")", "", ".", "", "/", "")
	orderPattern  = regexp.MustCompile(`\b(abcdefgh|ghefcdab|badcfehg|hgfedcba|abcd|cdab|badc|dcba|1234|3412|2143|4321|ab|ba)\b`)
)

// orderWords are ways to name a byte order, longest first. Common practice.
var orderWords = []pair{
	{"byte and word swap", "DCBA"}, {"word and byte swap", "DCBA"}, {"bytes and words swapped", "DCBA"},
	{"little endian word order", "CDAB"}, {"big endian word order", "ABCD"}, {"little endian words", "CDAB"},
	{"low word first", "CDAB"}, {"lsw first", "CDAB"}, {"least significant word first", "CDAB"}, {"lo word first", "CDAB"}, {"low high", "CDAB"}, {"lo hi", "CDAB"}, {"low word high word", "CDAB"}, {"lsw msw", "CDAB"}, {"little endian word", "CDAB"}, {"word swapped", "CDAB"}, {"word swap", "CDAB"}, {"words swapped", "CDAB"}, {"swapped words", "CDAB"}, {"swapped word", "CDAB"}, {"mid little endian", "CDAB"},
	{"high word first", "ABCD"}, {"msw first", "ABCD"}, {"most significant word first", "ABCD"}, {"hi word first", "ABCD"}, {"high low", "ABCD"}, {"hi lo", "ABCD"}, {"msw lsw", "ABCD"}, {"high word low word", "ABCD"}, {"big endian", "ABCD"}, {"not swapped", "ABCD"}, {"no swap", "ABCD"}, {"normal", "ABCD"}, {"straight", "ABCD"},
	{"little endian", "DCBA"}, {"byte swapped", "BADC"}, {"byte swap", "BADC"}, {"bytes swapped", "BADC"}, {"swapped bytes", "BADC"}, {"mid big endian", "BADC"},
	{"big", "ABCD"}, {"little", "DCBA"}, {"swapped", "CDAB"}, {"swap", "CDAB"}, {"lsw", "CDAB"}, {"msw", "ABCD"}, {"le", "DCBA"}, {"be", "ABCD"},
}

// parseOrder finds the order in a text; unsure says where its words leave a
// choice. rest is the text without it.
func parseOrder(s string) (order, unsure, rest string) {
	n := " " + strings.Join(strings.Fields(strings.NewReplacer("-", " ", "_", " ", "/", " ", ",", " ", "(", " ", ")", " ", "[", " [", ";", " ").Replace(strings.ToLower(clean(s)))), " ") + " "
	if m := orderPattern.FindStringSubmatchIndex(n); m != nil {
		word := n[m[2]:m[3]]
		order = map[string]string{"1234": "ABCD", "3412": "CDAB", "2143": "BADC", "4321": "DCBA", "abcdefgh": "ABCD", "ghefcdab": "CDAB", "badcfehg": "BADC", "hgfedcba": "DCBA", "ab": "ABCD", "ba": "BADC"}[word]
		if order == "" {
			order = strings.ToUpper(word)
		}
		return order, "", strings.TrimSpace(n[:m[2]] + n[m[3]:])
	}
	for _, w := range orderWords {
		if at := strings.Index(n, " "+w.key+" "); at >= 0 {
			switch w.key {
			case "swapped", "swap", "little", "little endian", "le":
				unsure = fmt.Sprintf("%q read as %s", w.key, w.value)
			}
			return w.value, unsure, strings.TrimSpace(n[:at] + " " + n[at+len(w.key)+2:])
		}
	}
	return "", "", ""
}

// remarkOrder finds an order in a remark that says it in words that mean
// nothing else.
func remarkOrder(s string) string {
	n := " " + normal(s) + " "
	for _, w := range orderWords {
		if strings.Contains(w.key, " ") && strings.Contains(n, " "+w.key+" ") && (strings.Contains(w.key, "word") || strings.Contains(w.key, "byte") || strings.Contains(w.key, "endian")) {
			return w.value
		}
	}
	return ""
}

// parseListType reads a type cell and what our own lists say behind commas.
func parseListType(s string) (cellType, error) {
	first, rest, more := strings.Cut(s, ", ")
	if !more {
		return parseType(s)
	}
	t, err := parseType(first)
	if err != nil {
		return parseType(s)
	}
	for _, part := range strings.Split(rest, ", ") {
		bit, isBit := strings.CutPrefix(part, "bit ")
		n, errBit := strconv.Atoi(bit)
		switch {
		case part == "active when 0":
			t.inverse = true
		case part == "4-20 mA":
			t.signal = true
		case part == "counter":
			t.counter = true
		case isBit && errBit == nil && n >= 0 && n < 16:
			t.bit = n + 1
		default:
			return parseType(s)
		}
	}
	return t, nil
}

// parseType reads a type cell, with a word order in it if there is one.
func parseType(s string) (cellType, error) {
	t, ok := typeNamed(s)
	if ok {
		return t, nil
	}
	if order, unsure, rest := parseOrder(s); order != "" {
		if rest == "" {
			return cellType{order: order, unsure: unsure}, nil
		}
		if t, ok = typeNamed(rest); ok {
			t.order = order
			if unsure != "" {
				t.unsure = unsure
			}
			return t, nil
		}
	}
	return cellType{}, fmt.Errorf("%q is no type that is known, such as INT, UINT16, REAL or float32", clip(s))
}

// typeNamed looks a type up, with marks and widths in other places.
func typeNamed(s string) (cellType, bool) {
	n := strings.ToLower(clean(s))
	if m := lengthPattern.FindStringSubmatch(n); m != nil {
		length, _ := strconv.Atoi(m[2])
		return cellType{name: "string", length: length}, length > 0
	}
	n = strings.TrimSuffix(n, "_t")
	if t, ok := typeNames[squeeze.Replace(n)]; ok {
		return t, true
	}
	if m := widthPattern.FindStringSubmatch(strings.ReplaceAll(n, " ", "")); m != nil {
		if t, ok := typeOfWidth(squeeze.Replace(bitWord.ReplaceAllString(n, "")), m[1]+m[2]); ok {
			return t, true
		}
	}
	return cellType{}, false
}

// typeOfWidth reads words such as 'signed 32 bit integer' and '16 bit'.
func typeOfWidth(words, width string) (cellType, bool) {
	if width != "16" && width != "32" && width != "64" {
		return cellType{}, false
	}
	rest := strings.NewReplacer(width, "", "value", "", "register", "", "number", "").Replace(words)
	switch rest {
	case "signed", "int", "integer", "sint", "signedint", "signedinteger", "s", "i", "twoscomplement", "long", "short":
		return cellType{name: "int" + width}, true
	case "", "word", "dword":
		return cellType{name: "uint" + width, unsure: "signed or unsigned is not said, read as unsigned"}, true
	case "unsigned", "uint", "unsignedint", "unsignedinteger", "u", "udint", "unsignedlong", "enum":
		return cellType{name: "uint" + width}, true
	case "float", "real", "ieee754", "floatingpoint", "ieee", "ieee754float", "fp":
		if width != "16" {
			return cellType{name: "float" + width}, true
		}
	case "field", "map", "mask", "string":
		if width != "64" {
			size, _ := strconv.Atoi(width)
			return cellType{name: "bits", size: size}, true
		}
	case "bcd":
		if width != "64" {
			return cellType{name: "bcd" + width}, true
		}
	}
	return cellType{}, false
}

// widen gives a type that was said without a width, or with a C name whose
// width differs, the registers that the list gives it.
func (t cellType) widen(registers int) cellType {
	switch {
	case t.name == "" && (registers == 0 || registers == 1):
		t.name = map[bool]string{true: "int16", false: "uint16"}[t.signed]
	case t.name == "" && (registers == 2 || registers == 4) && t.signed:
		t.name = fmt.Sprintf("int%d", 16*registers)
	case t.name == "" && (registers == 2 || registers == 4):
		t.name = fmt.Sprintf("uint%d", 16*registers)
	case (t.name == "int16" || t.name == "uint16") && (registers == 2 || registers == 4):
		t.name = strings.TrimSuffix(t.name, "16") + fmt.Sprint(16*registers)
	case t.name == "float32" && registers == 4:
		t.name = "float64"
	case t.name == "bcd16" && registers == 2:
		t.name = "bcd32"
	case t.name == "bits" && registers == 2:
		t.size = 32
	default:
		return t
	}
	if registers > 1 {
		t.unsure = fmt.Sprintf("%s, for its %d registers", t.name, registers)
	}
	return t
}
