package sheet

import (
	"fmt"
	"strings"
	"testing"
)

// TestRowForms: what single rows become, by what stands in them.
func TestRowForms(t *testing.T) {
	for _, c := range []struct{ name, head, row, want string }{
		{"C int over two registers", "Register|Name|Type", "40001-40002|Level|int", "uint holding-register 0 int32 ABCD"},
		{"float over four", "Register|Name|Type|Length", "40001|Level|float|4", "holding-register 0 float64 ABCDEFGH"},
		{"BCD over two", "Register|Name|Type|Length", "40001|Level|BCD|2", "holding-register 0 bcd32 ABCD"},
		{"a word of 32 bits", "Register|Name|Type|Length", "40001|Level|bitmap|32", "holding-register 0 bits ABCD"},
		{"signed, no width", "Register|Name|Type", "40001|Level|signed", "holding-register 0 int16 AB"},
		{"signed, two registers", "Register|Name|Type|Words", "40001|Level|signed|2", "holding-register 0 int32 ABCD"},
		{"unsigned, four registers", "Register|Name|Type|Words", "40001|Level|unsigned|4", "holding-register 0 uint64 ABCDEFGH"},
		{"bytes", "Register|Name|Type|Bytes", "40001|Level|unsigned|4", "holding-register 0 uint32 ABCD"},
		{"16 bit float is none, 32 bit is", "Register|Name|Type", "40001|Level|Float 32 bit", "holding-register 0 float32 ABCD"},
		{"bit field with its width", "Register|Name|Type", "40001|Level|32 bit field", "holding-register 0 bits ABCD"},
		{"BCD with its width", "Register|Name|Type", "40001|Level|32-bit BCD", "holding-register 0 bcd32 ABCD"},
		{"width alone", "Register|Name|Type", "40001|Level|32 bit", "holding-register 0 uint32 ABCD"},
		{"no type", "Register|Name|Unit", "40001|Level|m", "holding-register 0 uint16 AB m"},
		{"no type, two registers", "Register|Name|Type|Words", "40001|Level|INT|2", "holding-register 0 int32 ABCD"},
		{"BOOL in a whole register", "Register|Name|Type", "40001|Level|BOOL", "holding-register 0 uint16 AB values 0: off, 1: on"},
		{"order in its own column", "Register|Name|Type|Order", "40001|Level|DINT|LSW first", "holding-register 0 int32 CDAB"},
		{"one register, bytes swapped", "Register|Name|Type|Order", "40001|Level|INT|byte swap", "holding-register 0 int16 BA"},
		{"four registers, words swapped", "Register|Name|Type|Order", "40001|Level|LREAL|word swap", "holding-register 0 float64 GHEFCDAB"},
		{"an order nobody knows", "Register|Name|Type|Order", "40001|Level|DINT|odd", "holding-register 0 int32 ABCD"},
		{"units in brackets", "Register|Description|Type", "40001|Level [m]|INT", "holding-register 0 int16 AB m"},
		{"units in round brackets", "Register|Description|Type", "40001|Level (m³/h)|INT", "holding-register 0 int16 AB m3/h"},
		{"brackets that are no units", "Register|Description|Type", "40001|Level (upper)|INT", "holding-register 0 int16 AB"},
		{"units of the range", "Register|Name|Type|Range", "40001|Level|INT|0..100 %", "holding-register 0 int16 AB %"},
		{"no units", "Register|Name|Type|Unit", "40001|Level|INT|-", "holding-register 0 int16 AB"},
		{"factor and offset", "Register|Name|Type|Factor|Scale offset", "40001|Level|INT|0.1|-40", "holding-register 0 int16 AB scale times 0.1 plus -40"},
		{"offset alone", "Register|Name|Type|Zero offset", "40001|Level|INT|5", "holding-register 0 int16 AB scale times 1 plus 5"},
		{"divisor", "Register|Name|Type|Divisor", "40001|Level|INT|100", "holding-register 0 int16 AB scale times 0.01"},
		{"decimals as a picture", "Register|Name|Type|Decimals", "40001|Level|INT|0.00", "holding-register 0 int16 AB scale times 0.01"},
		{"decimals of a float", "Register|Name|Type|Decimals", "40001|Level|REAL|2", "holding-register 0 float32 ABCD"},
		{"a span", "Register|Name|Type|Raw min|Raw max|Min|Max", "40001|Level|UINT|0|27648|0|6", "holding-register 0 uint16 AB scale raw 0..27648 to 0..6"},
		{"written within limits", "Register|Name|Type|R/W|Min|Max", "40001|Level|INT|RW|1|5", "holding-register 0 int16 AB write min 1, max 5"},
		{"limits beyond the type", "Register|Name|Type|R/W|Min|Max", "40001|Level|INT|RW|1|99999", "holding-register 0 int16 AB writable"},
		{"limits that run backwards", "Register|Name|Type|R/W|Min|Max", "40001|Level|INT|RW|9|5", "holding-register 0 int16 AB writable"},
		{"write only", "Register|Name|Type|R/W", "40001|Level|INT|W", "holding-register 0 int16 AB writable"},
		{"writable by its function", "Register|FC|Name|Type", "40001|03/06|Level|INT", "holding-register 0 int16 AB writable"},
		{"an input that says it can be written", "Register|Name|Type|R/W", "30001|Level|INT|RW", "input-register 0 int16 AB"},
		{"access nobody knows", "Register|Name|Type|R/W", "40001|Level|INT|sometimes", "holding-register 0 int16 AB"},
		{"a string that cannot be written", "Register|Name|Type|R/W", "40001|Level|STRING[7]|RW", "holding-register 0 string 7"},
		{"a string by its bytes", "Register|Name|Type|Bytes", "40001|Level|STRING|12", "holding-register 0 string 12"},
		{"a string with its bytes swapped", "Register|Name|Type|Words|Order", "40001|Level|STRING|6|byte swap", "holding-register 0 string BA 12"},
		{"a counter", "Register|Name|Type|Remarks", "40001|Level|UINT|Counter", "holding-register 0 uint16 AB counter"},
		{"types that are tables", "Register|Type|Name", "1|holding register|Level", "holding-register 0 uint16 AB"},
		{"types that are access", "Register|Type|Name", "40001|RW|Level", "holding-register 0 uint16 AB writable"},
		{"tables that are types", "Register|Object|Name", "40001|REAL|Level", "holding-register 0 float32 ABCD"},
		{"functions that are words", "Register|Function|Type", "40001|Level|REAL", "holding-register 0 float32 ABCD"},
		{"a title of a table", "Address (0-based)|Name|Type", "0|Level|REAL", "holding-register 0 float32 ABCD"},
		{"what can be written is holding", "Address (0-based)|Name|Type|R/W", "0|Level|REAL|RW", "holding-register 0 float32 ABCD writable"},
		{"no name at all", "Register|Type|Name", "40001|INT|液", "holding-register 0 int16 AB"},
	} {
		rows := rowsFrom(c.head, c.row)
		if strings.HasPrefix(c.name, "a title") {
			rows = rowsFrom(c.head, "Holding registers (4x)", c.row)
		}
		o := Options{}
		if strings.HasPrefix(c.name, "types that are tables") {
			o.CountFrom = CountFromOne
		}
		r, err := List("list.csv", rows, o)
		if err != nil || r.Map == nil {
			t.Errorf("%s: %v %s", c.name, err, words(r))
			continue
		}
		p := loads(t, r.Map).Points[0]
		letters := p.Order.Letters(p.Count)
		if p.Type.String() == "string" {
			letters = strings.TrimPrefix(map[bool]string{true: "BA"}[p.Order != 0]+fmt.Sprint(" ", p.Length), " ")
		}
		got := fmt.Sprintf("%s %d %s %s", p.Table, p.Address, p.Type, letters)
		for _, part := range [][2]string{{"", p.Units}, {"scale ", p.Scale.Words(p.Exponent)}, {"values ", namedWords(p.Values)}, {"write ", bounds(p.Write)}} {
			if part[1] != "" {
				got += " " + part[0] + part[1]
			}
		}
		if p.Writable() && bounds(p.Write) == "" {
			got += " writable"
		}
		if p.Counter {
			got += " counter"
		}
		if got != strings.TrimPrefix(c.want, "uint ") {
			t.Errorf("%s: got %q, want %q\n%s", c.name, got, c.want, r.Map)
		}
	}
}
