package sheet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// member is a key of a JSON object with its value; objects keep their order.
type member struct {
	key   string
	value any
}

type object []member

// MarshalJSON writes the members in their order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		for j, v := range []any{m.key, m.value} {
			if j > 0 {
				b.WriteByte(':')
			}
			part, err := encode(v, "")
			if err != nil {
				return nil, err
			}
			b.Write(part)
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

func encode(v any, indent string) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", indent)
	err := e.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// exportHost stands for the station's address, which a map does not know.
// Source: RFC 5737, 3 (192.0.2.0/24 is for documentation).
const exportHost = "modbus+tcp://192.0.2.10:502/1/"

// Export makes a W3C Thing Description with the Modbus binding of a map.
// Losses says in words what a foreign reader of it will not see: the
// vocabulary has no scale, no offset, no bits, no 'no value' contents. Those
// stand under a prefix of our own, from which Thing makes the same map again;
// only what belongs to a station (simulate) is lost altogether.
// Source: WoT Thing Description 1.1; W3C Modbus binding, Editor's Draft.
func Export(m *regmap.Map) (text []byte, losses []string) {
	x := &exporting{m: m, nodes: map[doc.Pos]doc.Node{}}
	root := doc.Parse(m.File, m.Source, new(doc.Report))
	x.index(root)
	x.lose("the host, port and unit number in every form are placeholders (192.0.2.10:502, unit 1)")
	properties, derived := object{}, object{}
	for i := range m.Points {
		p := &m.Points[i]
		if p.Derived() {
			derived = append(derived, member{p.Name, x.keys(p)})
			x.lose("%s is worked out of other points and has no form", p.Name)
			continue
		}
		properties = append(properties, member{p.Name, x.property(p)})
	}
	d := object{
		{"@context", []any{"https://www.w3.org/2022/wot/td/v1.1", object{{"modv", modvNamespace + "#"}, {"plumbline", ownNamespace}}}},
		{"title", m.Device},
	}
	if m.About != "" {
		d = append(d, member{"description", m.About})
	}
	d = append(d, member{"securityDefinitions", object{{"nosec_sc", object{{"scheme", "nosec"}}}}}, member{"security", "nosec_sc"},
		member{"properties", properties})
	if len(derived) > 0 {
		d = append(d, member{"plumbline:derived", derived})
	}
	if head := x.head(root); len(head) > 0 {
		d = append(d, member{"plumbline:map", head})
	}
	out, err := encode(d, "  ")
	if err != nil {
		panic("a Thing Description of texts and numbers is always JSON: " + err.Error())
	}
	return append(out, '\n'), x.losses
}

// exporting is a map on its way out.
type exporting struct {
	m      *regmap.Map
	nodes  map[doc.Pos]doc.Node // points by the place of their key
	losses []string
}

func (x *exporting) lose(format string, args ...any) {
	x.losses = append(x.losses, fmt.Sprintf(format, args...))
}

// index finds the points of the file, those of groups too.
func (x *exporting) index(n doc.Node) {
	if points := n.Get("points"); points.IsMapping() {
		for _, p := range points.Entries() {
			x.nodes[p.KeyPos()] = p
		}
	}
	if groups := n.Get("groups"); groups.IsMapping() {
		for _, g := range groups.Entries() {
			x.index(g)
		}
	}
}

// head is the map's own keys; points of groups are written out one by one.
func (x *exporting) head(root doc.Node) object {
	var out object
	for key, n := range root.Entries() {
		_, owned := x.m.Blocks[key]
		switch {
		case key == "device", key == "about", key == "points":
		case key == "groups":
			x.lose("groups: their points are written out one by one")
		case owned || key == "simulate":
			x.lose("%s: it belongs to the station in software and is not kept", key)
		default:
			out = append(out, member{key, value(n)})
		}
	}
	return out
}

// value is a node of the map as JSON: numbers as numbers where JSON writes
// them the same way.
func value(n doc.Node) any {
	switch {
	case n.IsMapping():
		out := object{}
		for key, v := range n.Entries() {
			out = append(out, member{key, value(v)})
		}
		return out
	case n.IsList():
		out := []any{}
		for _, v := range n.Items() {
			out = append(out, value(v))
		}
		return out
	}
	s, _ := n.Text()
	switch {
	case s == "true" || s == "false":
		return s == "true"
	case plainJSON(s):
		return json.Number(s)
	}
	return s
}

// plainJSON says whether a text is a number that JSON writes alike and that
// every reader of JSON holds: at most 15 digits.
func plainJSON(s string) bool {
	return len(s) <= 15 && plainNumber.MatchString(s) && json.Valid([]byte(s))
}

// placeKeys are the keys that a form says instead.
var placeKeys = []string{"coil", "discrete-input", "input-register", "holding-register", "reference"}

// keys are the point's own keys but its place, with what a group filled in.
func (x *exporting) keys(p *regmap.Point) object {
	out := object{}
	for key, n := range x.nodes[p.Pos].Entries() {
		switch {
		case slices.Contains(placeKeys, key):
		case key == "tag":
			out = append(out, member{key, p.Tag})
		case key == "about":
			out = append(out, member{key, p.About})
		case key == "terminal":
			out = append(out, member{key, p.Terminal})
		case key == "together":
			out = append(out, member{key, p.Together})
		case key == "scale" && p.Exponent != nil:
			scale, _ := value(n).(object)
			for i, m := range scale {
				if m.key == "exponent" {
					scale[i].value = object{{p.Exponent.Span.Table.String(), int(p.Exponent.Span.First)}}
				}
			}
			out = append(out, member{key, scale})
		default:
			out = append(out, member{key, value(n)})
		}
	}
	return out
}

// entities are the tables' names in the vocabulary.
var entities = map[regmap.Table]string{
	regmap.Coil: "Coil", regmap.DiscreteInput: "DiscreteInput", regmap.InputRegister: "InputRegister", regmap.HoldingRegister: "HoldingRegister",
}

// payload is a type in the two vocabularies; exact says that a foreign reader
// makes the same number of it.
type payload struct {
	plain, modv string
	exact       bool
}

var payloads = map[regmap.Type]payload{
	regmap.TypeBool: {"boolean", "xsd:boolean", true}, regmap.TypeInt16: {"integer", "xsd:short", true}, regmap.TypeUint16: {"integer", "xsd:unsignedShort", true},
	regmap.TypeInt32: {"integer", "xsd:int", true}, regmap.TypeUint32: {"integer", "xsd:unsignedInt", true}, regmap.TypeInt64: {"integer", "xsd:long", true},
	regmap.TypeUint64: {"integer", "xsd:unsignedLong", true}, regmap.TypeFloat32: {"number", "xsd:float", true}, regmap.TypeFloat64: {"number", "xsd:double", true},
	regmap.TypeString: {"string", "xsd:string", true}, regmap.TypeSignMag16: {"string", "xsd:hexBinary", false}, regmap.TypeBCD16: {"string", "xsd:hexBinary", false},
	regmap.TypeBCD32: {"string", "xsd:hexBinary", false}, regmap.TypeDecimalPair: {"string", "xsd:hexBinary", false},
}

// payloadOf is the point's payload; a word of bits is its number, one bit of a
// register the register's.
func payloadOf(p *regmap.Point) payload {
	switch {
	case p.Type == regmap.TypeBits && p.Count == 2:
		return payload{"integer", "xsd:unsignedInt", false}
	case p.Type == regmap.TypeBits, p.Type == regmap.TypeBool && !p.Table.Bits():
		return payload{"integer", "xsd:unsignedShort", false}
	}
	return payloads[p.Type]
}

// property is one point as an affordance with its form.
func (x *exporting) property(p *regmap.Point) object {
	out := object{}
	if p.Tag != "" {
		out = append(out, member{"title", p.Tag})
	}
	kind := payloadOf(p)
	plain := kind.exact && p.Scale.Identity() && p.Exponent == nil
	if words := x.describe(p, kind, plain); words != "" {
		out = append(out, member{"description", words})
	}
	out = append(out, member{"type", kind.plain})
	if p.Units != "" && plain {
		out = append(out, member{"unit", p.Units})
	}
	if r := p.Range; r != nil && p.Write == nil && plain {
		out = append(out, member{"minimum", json.Number(text(r.Low))}, member{"maximum", json.Number(text(r.High))})
	}
	if w := p.Write; w != nil && plain {
		if w.Min != nil {
			out = append(out, member{"minimum", json.Number(text(w.Min))})
		}
		if w.Max != nil {
			out = append(out, member{"maximum", json.Number(text(w.Max))})
		}
	}
	ops := []string{"readproperty"}
	if p.Writable() {
		ops = append(ops, "writeproperty")
	}
	out = append(out, member{"readOnly", !p.Writable()})
	form := object{{"href", fmt.Sprintf("%s%d?quantity=%d", exportHost, p.Address, p.Count)}, {"op", ops},
		{"modv:entity", entities[p.Table]}, {"modv:type", kind.modv}, {"modv:zeroBasedAddressing", true}}
	if !p.Table.Bits() {
		form = append(form, member{"modv:mostSignificantByte", p.Order&regmap.BytesSwapped == 0},
			member{"modv:mostSignificantWord", p.Order&regmap.WordsSwapped == 0})
	}
	return append(out, member{"forms", []any{form}}, member{"plumbline:point", x.keys(p)})
}

// describe is the point's words for a foreign reader, who sees raw numbers
// where the map has a scale; and it keeps the account of what is lost.
func (x *exporting) describe(p *regmap.Point, kind payload, plain bool) string {
	words := p.About
	var lost []string
	if scale := p.Scale.Words(p.Exponent); scale != "" {
		lost = append(lost, "the number is raw; scale "+scale+strings.TrimSuffix(" "+p.Units, " "))
	}
	if !kind.exact {
		lost = append(lost, "the registers hold "+p.Type.String()+", which the vocabulary cannot say")
	}
	if len(lost) > 0 {
		words = strings.TrimPrefix(words+". "+strings.Join(lost, "; "), ". ")
	}
	for _, f := range []struct {
		has   bool
		words string
	}{
		{len(p.Values) > 0, "names for its numbers"}, {len(p.Absent) > 0, "contents that mean 'no value'"},
		{p.Alarm != nil || p.AlarmBit, "alarms"}, {p.Inverse, "active when 0"}, {p.Counter, "that it is a counter"},
		{p.Signal, "failure limits of its 4-20 mA signal"}, {p.Heartbeat > 0 || p.Within > 0, "how often it must change"},
	} {
		if f.has {
			lost = append(lost, f.words)
		}
	}
	if len(lost) > 0 {
		x.lose("%s: a foreign reader does not see: %s", p.Name, strings.Join(lost, ", "))
	}
	return words
}
