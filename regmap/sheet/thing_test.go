package sheet

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// describe makes a description with one property of one form.
func describe(property, form string) string {
	return fmt.Sprintf(`{"@context": ["https://www.w3.org/2022/wot/td/v1.1", {"modv": "https://www.w3.org/2019/wot/modbus#"}],
		"title": "Cistern", "properties": {"level": {%s "forms": [{%s}]}}}`, property, form)
}

const zero = `, "modv:zeroBasedAddressing": true`

// TestThingSpellings: every spelling and trap of the binding.
// Source: W3C Modbus binding, Editor's Draft: vocabulary, schema (plural
// function names), context file (singular), its examples (writeCoil,
// pollingRate), and the lower-case entity of other bodies' examples.
func TestThingSpellings(t *testing.T) {
	href := `"href": "modbus+tcp://192.0.2.10:502/1/10?quantity=%d"`
	for _, c := range []struct {
		name, property, form string
		want                 string // table address type order
	}{
		{"entity", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:short"` + zero, "holding-register 10 int16 AB"},
		{"entity in lower case", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "holdingRegister", "modv:type": "xsd:short"` + zero, "holding-register 10 int16 AB"},
		{"entity with its prefix", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "modv:InputRegister", "modv:type": "xsd:short"` + zero, "input-register 10 int16 AB"},
		{"entity wins over function", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "InputRegister", "modv:function": "readHoldingRegisters", "modv:type": "xsd:short"` + zero, "input-register 10 int16 AB"},
		{"function in the plural", ``, fmt.Sprintf(href, 1) + `, "modv:function": "readHoldingRegisters", "modv:type": "xsd:unsignedShort"` + zero, "holding-register 10 uint16 AB"},
		{"function in the singular", ``, fmt.Sprintf(href, 1) + `, "modv:function": "readHoldingRegister", "modv:type": "xsd:unsignedShort"` + zero, "holding-register 10 uint16 AB"},
		{"singular of inputs", ``, fmt.Sprintf(href, 1) + `, "modv:function": "readInputRegister", "modv:type": "xsd:unsignedShort"` + zero, "input-register 10 uint16 AB"},
		{"function as a code", ``, fmt.Sprintf(href, 1) + `, "modv:function": 4, "modv:type": "xsd:unsignedShort"` + zero, "input-register 10 uint16 AB"},
		{"writeCoil of the examples", ``, fmt.Sprintf(href, 1) + `, "modv:function": "writeCoil", "op": ["writeproperty"]` + zero, "coil 10 bool AB"},
		{"discrete input", ``, fmt.Sprintf(href, 1) + `, "modv:function": "readDiscreteInput"` + zero, "discrete-input 10 bool AB"},
		{"full name of the term", ``, fmt.Sprintf(href, 1) + `, "https://www.w3.org/2019/wot/modbus#entity": "HoldingRegister", "https://www.w3.org/2019/wot/modbus#zeroBasedAddressing": true, "modv:type": "xsd:short"`, "holding-register 10 int16 AB"},
		{"big byte, big word", ``, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:float"` + zero, "holding-register 10 float32 ABCD"},
		{"big byte, little word", ``, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:float", "modv:mostSignificantWord": false` + zero, "holding-register 10 float32 CDAB"},
		{"little byte, big word", ``, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:float", "modv:mostSignificantByte": false` + zero, "holding-register 10 float32 BADC"},
		{"little byte, little word", ``, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:float", "modv:mostSignificantByte": false, "modv:mostSignificantWord": false` + zero, "holding-register 10 float32 DCBA"},
		{"double, little word", ``, fmt.Sprintf(href, 4) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:double", "modv:mostSignificantWord": false` + zero, "holding-register 10 float64 GHEFCDAB"},
		{"one register, little byte", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:short", "modv:mostSignificantByte": false` + zero, "holding-register 10 int16 BA"},
		{"integer by its quantity", `"minimum": 0,`, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:integer"` + zero, "holding-register 10 uint32 ABCD"},
		{"no type, a number of two registers", `"type": "number",`, fmt.Sprintf(href, 2) + `, "modv:entity": "HoldingRegister"` + zero, "holding-register 10 float32 ABCD"},
		{"no type at all", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister"` + zero, "holding-register 10 uint16 AB"},
		{"hexBinary", ``, fmt.Sprintf(href, 4) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:hexBinary"` + zero, "holding-register 10 uint64 ABCDEFGH"},
		{"byte", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:unsignedByte"` + zero, "holding-register 10 uint16 AB"},
		{"boolean in a register", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:boolean"` + zero, "holding-register 10 uint16 AB"},
		{"string", ``, fmt.Sprintf(href, 6) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:string"` + zero, "holding-register 10 string "},
		{"numbers in the form", ``, `"href": "modbus+tcp://192.0.2.10:502/1", "modv:address": 10, "modv:quantity": 2, "modv:entity": "HoldingRegister", "modv:type": "xsd:int"` + zero, "holding-register 10 int32 ABCD"},
		{"one-based, said so", ``, fmt.Sprintf(href, 1) + `, "modv:entity": "HoldingRegister", "modv:type": "xsd:short", "modv:zeroBasedAddressing": false`, "holding-register 9 int16 AB"},
	} {
		r, err := Thing("td.jsonld", []byte(describe(c.property, c.form)), Options{})
		if err != nil || r.Map == nil {
			t.Errorf("%s: %v, %v", c.name, r, err)
			continue
		}
		p := loads(t, r.Map).Point("level")
		if p == nil {
			t.Errorf("%s: no point; %s", c.name, words(r))
			continue
		}
		if got := fmt.Sprintf("%s %d %s %s", p.Table, p.Address, p.Type, p.Order.Letters(p.Count)); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestThingBase: relative forms, other prefixes, units, limits and access.
func TestThingBase(t *testing.T) {
	text := `{"@context": [{"m": "https://www.w3.org/2019/wot/modbus"}], "title": "Cistern", "base": "modbus+tcp://192.0.2.10:502/",
		"properties": {"Lead Start": {"title": "Lead start", "description": "Lead pump starts above", "unit": "metre", "minimum": 1, "maximum": 2.5, "multipleOf": 0.5, "enum": [1, 2],
		"forms": [{"href": "7/32?quantity=2", "op": ["readproperty", "writeproperty"], "m:entity": "HoldingRegister", "m:type": "xsd:float", "m:zeroBasedAddressing": true, "m:pollingRate": 500, "m:timeout": 1000}]},
		"level": {"readOnly": true, "unit": "m", "maximum": 3, "forms": [{"href": "7/0?quantity=2", "m:entity": "HoldingRegister", "m:type": "xsd:float", "m:zeroBasedAddressing": true},
			{"href": "7/8?quantity=2", "op": ["readproperty"], "m:entity": "HoldingRegister", "m:type": "xsd:float", "m:zeroBasedAddressing": true}]},
		"page": {"forms": [{"href": "http://192.0.2.10/level"}]}, "none": {}},
		"actions": {"reset": {}}, "events": {"trip": {}}, "links": []}`
	r, err := Thing("td.jsonld", []byte(text), Options{})
	if err != nil {
		t.Fatal(err)
	}
	m := loads(t, r.Map)
	p := m.Point("lead-start")
	if p == nil || p.Address != 32 || p.Write == nil || p.Write.Min == nil || p.Every.Milliseconds() != 500 || p.About != "Lead start: Lead pump starts above" {
		t.Errorf("%+v\n%s", p, r.Map)
	}
	if l := m.Point("level"); l == nil || l.Address != 0 || l.Writable() || l.Units != "m" {
		t.Errorf("%+v\n%s", l, r.Map)
	}
	got := words(r)
	for _, want := range []string{"speaks http, not Modbus", "no form", "actions.reset", "events.trip", "links is not kept", "a second place"} {
		if !strings.Contains(got, want) {
			t.Errorf("nothing says %q in\n%s", want, got)
		}
	}
	for _, want := range []string{"multipleOf", "enum of the description", "timeout of the form", "range: max: 3"} {
		if !strings.Contains(string(r.Map), want) {
			t.Errorf("nothing says %q in\n%s", want, r.Map)
		}
	}
}

// TestThingRange: the least and the greatest value of what is only read are
// its range, both ways; what a map cannot hold as one stays a comment.
// Source: WoT Thing Description 1.1, 5.3.2 (minimum, maximum).
func TestThingRange(t *testing.T) {
	const form = `"href": "modbus+tcp://192.0.2.10:502/1/10?quantity=2", "op": ["readproperty"], "modv:entity": "HoldingRegister", "modv:type": "xsd:float", "modv:zeroBasedAddressing": true`
	for property, want := range map[string]string{
		`"minimum": -1.5, "maximum": 3,`: "range: [-1.5, 3]", `"minimum": 3, "maximum": 3,`: "# range [3, 3] left out", `"maximum": 3,`: "# the description's range: max: 3",
	} {
		r, err := Thing("td.jsonld", []byte(describe(property, form)), Options{})
		if err != nil || !strings.Contains(string(r.Map), want) {
			t.Errorf("%s: %v, want %s\n%s", property, err, want, r.Map)
		}
	}
	m := loads(t, []byte("device: d\npoints:\n  a: {holding-register: 0, type: float32, range: [-1.5, 3]}\n"))
	if td, _ := Export(m); !strings.Contains(string(td), `"minimum": -1.5`) || !strings.Contains(string(td), `"maximum": 3`) {
		t.Errorf("%s", td)
	}
}

// TestThingCounting: the example of the binding has 40001 in the URL of a
// holding register while its default is 'not zero-based'.
func TestThingCounting(t *testing.T) {
	form := `"href": "modbus+tcp://192.0.2.10:502/1/%d?quantity=1", "modv:entity": "HoldingRegister", "modv:type": "xsd:short"%s`
	for _, c := range []struct {
		name   string
		number int
		says   string
		told   CountFrom
		want   int // -1: a question
	}{
		{"40001 and no word", 40001, ``, 0, -1}, {"40001, told 1", 40001, ``, CountFromOne, 0}, {"40001, told 0", 40001, ``, CountFromZero, 40001},
		{"40001, said not to be zero-based", 40001, `, "modv:zeroBasedAddressing": false`, 0, -1}, {"40001, said to be zero-based", 40001, zero, 0, 40001},
		{"10 and no word", 10, ``, 0, -1}, {"10, told 1", 10, ``, CountFromOne, 9}, {"10, told 0", 10, ``, CountFromZero, 10}, {"a number 0", 0, ``, 0, 0},
	} {
		r, err := Thing("td.jsonld", []byte(describe("", fmt.Sprintf(form, c.number, c.says))), Options{CountFrom: c.told})
		if err != nil {
			t.Fatal(err)
		}
		if c.want < 0 {
			if len(r.Questions) != 1 || r.Map != nil {
				t.Errorf("%s: %q, map %s", c.name, r.Questions, r.Map)
			}
			continue
		}
		if p := loads(t, r.Map).Point("level"); int(p.Address) != c.want {
			t.Errorf("%s: address %d, want %d", c.name, p.Address, c.want)
		}
	}
}

// TestThingRefused: forms that become no point, and texts that are no
// description.
func TestThingRefused(t *testing.T) {
	for form, says := range map[string]string{
		`"href": "modbus+tcp://192.0.2.10:502/1/10"` + zero:                                                                          "neither entity nor function",
		`"href": "modbus+tcp://192.0.2.10:502/1/10", "modv:entity": "Register"` + zero:                                               "none of Coil",
		`"href": "modbus+tcp://192.0.2.10:502/1/10", "modv:function": "readFileRecord"` + zero:                                       "reads no table",
		`"href": "modbus+tcp://192.0.2.10:502/1/10", "modv:function": 43` + zero:                                                     "reads no table",
		`"href": "modbus+tcp://192.0.2.10:502/1", "modv:entity": "Coil"` + zero:                                                      "no unit and address",
		`"href": "modbus+tcp://192.0.2.10:502/1/70000", "modv:entity": "HoldingRegister"` + zero:                                     "within 0 to 65535",
		`"href": "modbus+tcp://192.0.2.10:502/1/1?quantity=8", "modv:entity": "Coil"` + zero:                                         "8 bits in one property",
		`"href": "modbus+tcp://192.0.2.10:502/1/1?quantity=3", "modv:entity": "HoldingRegister", "modv:type": "xsd:float"` + zero:    "takes 2 registers",
		`"href": "modbus+tcp://192.0.2.10:502/1/1?quantity=3", "modv:entity": "HoldingRegister", "modv:type": "xsd:integer"` + zero:  "no type of a map",
		`"href": "modbus+tcp://192.0.2.10:502/1/1?quantity=126", "modv:entity": "HoldingRegister", "modv:type": "xsd:string"` + zero: "goes beyond one read",
		`"href": "modbus+tcp://192.0.2.10:502/1/1?quantity=70000", "modv:entity": "HoldingRegister"` + zero:                          "beyond a table",
		`"href": ":"` + zero: "is no address",
	} {
		r, err := Thing("td.jsonld", []byte(describe("", form)), Options{})
		if err != nil || len(r.LeftOut) != 1 || !strings.Contains(r.LeftOut[0].Reason, says) || r.Map != nil {
			t.Errorf("%s: %+v, %v; want %q", form, r, err, says)
		}
	}
	for _, text := range []string{`[]`, `{}`, `{"properties": {}}`, `{"properties": []}`, `{"base": ":", "properties": {"a": {}}}`} {
		if r, err := Thing("td.jsonld", []byte(text), Options{}); r != nil || !errors.Is(err, ErrSource) {
			t.Errorf("%s: %+v, %v", text, r, err)
		}
	}
}

// stationBlock carries the block of the station, as the program does.
func stationBlock() regmap.Section {
	return regmap.Section{Key: "simulate", About: "the station", Read: func(doc.Node, *regmap.Map) any { return true }}
}

// same compares two maps point by point, by what the map language says.
func same(t *testing.T, a, b *regmap.Map) {
	t.Helper()
	if len(a.Points) != len(b.Points) || a.Device != b.Device || a.Revision != b.Revision {
		t.Errorf("%d points of %q, %d of %q", len(a.Points), a.Device, len(b.Points), b.Device)
	}
	describe := func(p *regmap.Point) string {
		q := *p
		q.Pos, q.Fields, q.Reference = doc.Pos{}, nil, regmap.Reference{}
		formula := ""
		if q.Formula != nil {
			formula = q.Formula.String()
		}
		exponent := ""
		if q.Exponent != nil {
			exponent = q.Exponent.Span.String()
		}
		return fmt.Sprintln(q.Name, q.Tag, q.About, q.Span(), q.Type, q.Order, q.Length, q.Part, q.Inverse, q.Scale.Words(q.Exponent), exponent, formula, q.Signal, q.Units, q.Decimals,
			namedWords(q.Values), q.Absent, rangeOf(q.Range), bounds(q.Write), q.Writable(), q.AlarmBit, q.Alarm != nil, q.Counter, q.Every, q.Together, q.OnRead, q.Heartbeat, q.Within, q.Overlay)
	}
	for p := range a.Readings {
		o := b.Point(p.Name)
		if o == nil {
			t.Errorf("%s is lost", p.Name)
			continue
		}
		if x, y := describe(p), describe(o); x != y {
			t.Errorf("%s came back otherwise:\n%s%s", p.Name, x, y)
		}
	}
}

func rangeOf(r *regmap.Range) string {
	if r == nil {
		return ""
	}
	return text(r.Low) + " to " + text(r.High)
}

const allKinds = `device: Everything
order: CDAB
limits: {gap: 4}
points:
  a: {holding-register: 0, type: int16, scale: {exponent: {holding-register: 1}}, together: one}
  b: {holding-register: 2, type: bcd32, counter: true}
  c: {holding-register: 4, type: decimal-pair, order: ABCD}
  d: {holding-register: 6, type: signmag16, absent: [0x8000]}
  e: {holding-register: 7, type: bits, size: 32, bits: {0: {name: x, active: 0}, 4-7: {name: y, values: {0: none, 3: some}}}}
  f: {holding-register: 9, type: bool, bit: 3, alarm: true}
  g: {reference: 30001, type: uint16, scale: {table: [[0, 0], [100, 1.5], [200, 7]]}, units: m}
  h: {input-register: 1, type: uint16, scale: {root: {raw: [0, 4000], value: [0, 120]}}, heartbeat: 5s}
  i: {derive: 'p("g") - p("h")', units: m}
  j: {holding-register: 20, type: uint64, absent: [0xFFFFFFFFFFFFFFFF, 9007199254740993]}
  k: {holding-register: 24, type: string, length: 7, order: BA}
  l: {coil: 5, write: {hold: 500ms}}
groups:
  pumps:
    name: pump-{n}
    count: 2
    stride: 10
    points:
      hours: {holding-register: 100, type: uint32, about: "Hours of pump {n}", scale: {exponent: {holding-register: 102}}}
`

// TestThingRoundTrip: map, description, the same map.
func TestThingRoundTrip(t *testing.T) {
	cistern, err := os.ReadFile("../../testdata/maps/cistern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for file, text := range map[string][]byte{"cistern.yaml": cistern, "everything.yaml": []byte(allKinds)} {
		rep := new(doc.Report)
		m := regmap.Load(file, text, rep, stationBlock())
		if m == nil {
			t.Fatal(rep.Err())
		}
		td, losses := Export(m)
		if len(losses) < 3 {
			t.Errorf("%s: losses %q", file, losses)
		}
		r, err := Thing(file+".jsonld", td, Options{})
		if err != nil || r.Incomplete() || len(r.Questions) > 0 {
			t.Fatalf("%s: %v, %v", file, r, err)
		}
		back := loads(t, r.Map)
		same(t, m, back)
		again, _ := Export(back)
		third, err := Thing(file+".jsonld", again, Options{})
		if err != nil {
			t.Fatal(err)
		}
		same(t, back, loads(t, third.Map))
		if file == "cistern.yaml" {
			golden(t, "../../testdata/sheets/cistern.jsonld", string(td))
			golden(t, "../../testdata/sheets/cistern.losses", strings.Join(losses, "\n")+"\n")
		}
	}
}

// FuzzTD: whatever the text, reading ends; a refused one is an error with
// nothing beside it; a map that is made loads.
func FuzzTD(f *testing.F) {
	seed, err := os.ReadFile("../../testdata/sheets/cistern.jsonld")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed, uint8(0))
	for _, s := range []string{`{"properties": {"a": {}, "a": {}}}`, `{"properties": 1e999}`, strings.Repeat(`{"a":`, 200), `{"properties": {"a": {"forms": [{"href": "/1/2"}]}}}`,
		describe(`"type": "number", "unit": "m",`, `"href": "modbus+tcp://h/1/2?quantity=2", "modv:entity": "Coil"`),
		`{"properties": {"a": {"plumbline:point": {"type": "x", "bits": {"0": []}}, "forms": [{"href": "/1/2", "modv:function": 3}]}}, "plumbline:map": {"order": 5, "limits": null}, "plumbline:derived": {"d": {"derive": "1"}}}`} {
		f.Add([]byte(s), uint8(1))
	}
	f.Fuzz(func(t *testing.T, text []byte, from uint8) {
		r, err := Thing("td.jsonld", text, Options{CountFrom: CountFrom(from % 3)})
		if err != nil {
			if r != nil || !errors.Is(err, ErrSource) {
				t.Fatalf("%v beside %v", r, err)
			}
			return
		}
		if r.Map != nil {
			loads(t, r.Map)
		}
	})
}
