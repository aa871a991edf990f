package interop

import "fmt"

// A given is one thing that a foreign server is told to hold. Kinds other than
// the four tables are put in order by the foreign library itself.
type given struct {
	kind  string // a table, or float-abcd, float-cdab, uint32 with its table
	table string
	at    int
	value float64
}

// line is the given as the C helper reads it.
func (g given) line() string {
	if g.table == "" {
		return fmt.Sprintf("%s %d %v", g.kind, g.at, g.value)
	}
	return fmt.Sprintf("%s %s %d %.17g", g.kind, g.table, g.at, g.value)
}

// contents is what each foreign server holds, for the points of peer.yaml.
var contents = []given{
	{"input-register", "", 0, 10400},
	{"float-cdab", "input-register", 2, 12.375},
	{"uint32", "input-register", 4, 182500},
	{"input-register", "", 7, 65411}, // -125 in two's complement
	{"holding-register", "", 16, 0x0011},
	{"float-abcd", "holding-register", 20, 2.3125},
	{"float-cdab", "holding-register", 22, -0.15625},
	{"uint32", "holding-register", 24, 4000000000},
	{"holding-register", "", 26, 0x5678},
	{"holding-register", "", 27, 0x1234},
	{"holding-register", "", 50, 0x4349}, // CISTERN1
	{"holding-register", "", 51, 0x5354},
	{"holding-register", "", 52, 0x4552},
	{"holding-register", "", 53, 0x4E31},
	{"coil", "", 0, 1},
	{"coil", "", 9, 1},
	{"discrete-input", "", 0, 1},
	{"discrete-input", "", 1, 1},
}

// A want is what plumbline must read there: the value as JSON and the registers
// as they came. Registers of floats are those of IEEE 754-2008, 3.4, binary32
// (12.375 is 41460000, 2.3125 is 40140000, -0.15625 is BE200000).
type want struct {
	point    string
	value    string
	function int
	raw      []uint16
}

var wants = []want{
	{"level", "1.2", 4, []uint16{10400}},
	{"flow", "12.375", 4, []uint16{0x0000, 0x4146}},
	{"total", "18250", 4, []uint16{0x0002, 0xC8E4}},
	{"temperature", "-12.5", 4, []uint16{65411}},
	{"state", "17", 3, []uint16{17}},
	{"state.pump-1-running", "true", 3, []uint16{17}},
	{"state.healthy", "true", 3, []uint16{17}},
	{"state.duty", "1", 3, []uint16{17}},
	{"pressure", "2.3125", 3, []uint16{0x4014, 0x0000}},
	{"inflow", "-0.15625", 3, []uint16{0x0000, 0xBE20}},
	{"serial-no", "4000000000", 3, []uint16{0xEE6B, 0x2800}},
	{"stroke", "305419896", 3, []uint16{0x5678, 0x1234}},
	{"name", `"CISTERN1"`, 3, []uint16{0x4349, 0x5354, 0x4552, 0x4E31}},
	{"pump-1-enable", "true", 1, []uint16{1}},
	{"pump-2-enable", "false", 1, []uint16{0}},
	{"flush", "true", 1, []uint16{1}},
	{"float-switch", "false", 2, []uint16{1}},
	{"supply-present", "true", 2, []uint16{1}},
}
