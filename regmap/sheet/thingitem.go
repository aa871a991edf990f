package sheet

import (
	"fmt"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// references says whether all forms that do not say they count from 0 have
// numbers with their table's leading digit.
func (t *thing) references() (all, any bool) {
	all = true
	for _, f := range t.forms {
		if f.zeroBased != nil && *f.zeroBased {
			continue
		}
		if _, ok := f.reference(); ok {
			any = true
		} else {
			all = false
		}
	}
	return all && any, any
}

// reference is the form's number as a traditional one of its table.
func (f *form) reference() (regmap.Reference, bool) {
	s := strconv.Itoa(f.number)
	if f.table == regmap.Coil {
		return regmap.Reference{}, false // a URL keeps no leading zero
	}
	r, err := regmap.ParseReference(s)
	return r, err == nil && r.Table == f.table
}

// count settles from which number the forms count, form by form where they
// say, else for all together. A number such as 40001 of a holding register
// that is not said to count from 0 can be the reference or the address, and so
// can a small one that says nothing: the default of the vocabulary is not what
// every writer of such a file had in mind.
// Source: W3C Modbus binding, zeroBasedAddressing (default false) and its
// example with 40001.
func (t *thing) count(told CountFrom) {
	all, any := t.references()
	silent, zero := "", false
	for _, f := range t.forms {
		if f.zeroBased != nil && (*f.zeroBased || !any) {
			continue
		}
		if silent == "" {
			silent = fmt.Sprintf("%s has %d", f.place, f.number)
		}
		zero = zero || f.number == 0
	}
	from := told
	switch {
	case told != 0:
		t.note("addresses are taken as counted from %d: told by --count-from", map[CountFrom]int{CountFromZero: 0, CountFromOne: 1}[told])
	case silent == "":
	case zero && !any:
		from = CountFromZero
		t.note("addresses that do not say how they count are taken as counted from 0: a number 0 is there")
	case any:
		t.ask("are the numbers references such as 40001, or addresses on the wire? %s, which does not say that it counts from 0. Say --count-from 1 for references, --count-from 0 for addresses", silent)
	default:
		t.ask("do the addresses count from 0 or from 1? %s and does not say; the vocabulary's default is 1, and many files mean 0. Say --count-from 0 or --count-from 1", silent)
	}
	for _, f := range t.forms {
		f.settle(from, told != 0, all)
	}
}

// settle turns the form's number into a protocol address; -1 where there is
// none.
func (f *form) settle(from CountFrom, told, references bool) {
	switch {
	case f.zeroBased != nil && *f.zeroBased:
	case from == CountFromZero:
	case from == CountFromOne || f.zeroBased != nil:
		if r, ok := f.reference(); ok && references && told {
			f.number = int(r.Address())
		} else {
			f.number--
		}
	}
}

// xsdTypes are the payload types.
// Source: W3C Modbus binding, modv:type; XML Schema Part 2, 3 (value spaces).
var xsdTypes = map[string]string{
	"boolean": "bool", "short": "int16", "unsignedshort": "uint16", "int": "int32", "unsignedint": "uint32", "long": "int64", "unsignedlong": "uint64",
	"float": "float32", "double": "float64", "string": "string", "byte": "int16", "unsignedbyte": "uint16",
}

// item makes a point of a form.
func (t *thing) item(f *form) (*item, error) {
	it := newItem(f.place)
	it.source = f.form.get("href").words()
	it.table, it.address = f.table, f.number
	if f.number < 0 || f.number >= regmap.TableSize {
		return nil, fmt.Errorf("the address is not within 0 to 65535")
	}
	title, about := f.thing.get("title").words(), f.thing.get("description").words()
	if it.about = about; about == "" {
		it.about = title
	} else if title != "" && title != f.name && title != about {
		it.about = title + ": " + about
	}
	it.name = clean(f.name)
	if nameOf(it.name) != it.name {
		if it.name = nameOf(wordsOf(f.name)); it.name == "" {
			it.name = "point"
		}
	}
	own := f.thing.get(t.own + "point")
	if own.kind == jsonObject {
		return it, t.ownItem(it, own)
	}
	if err := t.typeOf(f, it); err != nil {
		return nil, err
	}
	t.orderOf(f, it)
	t.rest(f, it)
	return it, nil
}

// ownItem takes over what our own export kept of a point.
func (t *thing) ownItem(it *item, own jsonValue) error {
	it.about = own.get("about").words()
	for i, key := range own.keys {
		switch key {
		case "about":
		case "tag":
			it.tag = own.vals[i].words()
		case "type":
			it.typ = own.vals[i].words()
		case "order":
			it.order = own.vals[i].words()
		case "units":
			it.units = own.vals[i].words()
		case "length":
			it.length, _ = own.vals[i].integer()
		case "size":
			it.size, _ = own.vals[i].integer()
		case "coil", "discrete-input", "input-register", "holding-register", "reference", "derive":
			return fmt.Errorf("%spoint says %s, and the form says where it lies", t.own, clip(key))
		default:
			it.extra = append(it.extra, pair{flowKey(clean(key)), own.vals[i].flow()})
		}
	}
	return nil
}

// typeOf settles the type by modv:type, the property's type and the quantity.
func (t *thing) typeOf(f *form, it *item) error {
	modv, plain := t.term(f.form, "type"), f.thing.get("type").words()
	name := last(modv.words())
	switch {
	case f.table.Bits():
		if f.quantity > 1 {
			return fmt.Errorf("%d bits in one property; a point is one", f.quantity)
		}
		it.typ = "bool"
		return nil
	case name == "byte" || name == "unsignedbyte":
		it.assume("%s has 8 bits; the whole register is read", modv.text)
		it.typ = xsdTypes[name]
	case xsdTypes[name] != "":
		it.typ = xsdTypes[name]
	case name == "integer", name == "decimal", name == "hexbinary", modv.kind == jsonNull && plain == "integer":
		unsigned := name == "hexbinary" || f.thing.has("minimum") && !strings.HasPrefix(f.thing.get("minimum").text, "-")
		it.typ = map[int]string{1: "int16", 2: "int32", 4: "int64"}[f.quantity]
		if unsigned && it.typ != "" {
			it.typ = "u" + it.typ
		}
		it.assume("%s, for a quantity of %d and %s", it.typ, f.quantity, map[bool]string{true: "no value below zero", false: "no word on signs"}[unsigned])
	case modv.kind == jsonNull && plain == "number" && (f.quantity == 2 || f.quantity == 4):
		it.typ = fmt.Sprintf("float%d", 16*f.quantity)
		it.assume("%s: a number of %d registers without modv:type", it.typ, f.quantity)
	case modv.kind == jsonNull && plain == "boolean":
		it.typ = "bool"
	case modv.kind == jsonNull && plain == "string":
		it.typ = "string"
	case modv.kind == jsonNull && f.quantity == 1:
		it.typ = "uint16"
		it.assume("type not said: uint16")
	}
	return t.width(f, it, modv.words())
}

// width compares type and quantity.
func (t *thing) width(f *form, it *item, said string) error {
	switch {
	case it.typ == "":
		return fmt.Errorf("no type of a map fits %q in %d registers", clip(said), f.quantity)
	case it.typ == "bool":
		it.typ = "uint16"
		it.assume("boolean in a register, which bit is not said: read as a number, 0 or 1")
		it.values = []pair{{"0", "false"}, {"1", "true"}}
	case it.typ == "string":
		if it.length = 2 * f.quantity; it.length > 250 {
			return fmt.Errorf("a string of %d characters goes beyond one read of 125 registers", it.length)
		}
	}
	if n := it.registers(); f.quantity != n {
		if f.quantity != 1 {
			return fmt.Errorf("%s takes %d registers, the quantity is %d", it.typ, n, f.quantity)
		}
		it.assume("%s takes %d registers, the form's quantity is 1 or left out", it.typ, n)
	}
	return nil
}

// orderOf reads the two flags of byte and word order. Both default to true.
// The draft does not spell out the four combinations; read here as (true,
// true) ABCD, (true, false) CDAB, (false, true) BADC, (false, false) DCBA.
// Source: W3C Modbus binding, mostSignificantByte and mostSignificantWord.
func (t *thing) orderOf(f *form, it *item) {
	set := func(name string) bool {
		v := t.term(f.form, name)
		return v.kind != jsonBool || v.yes
	}
	b, w := set("mostSignificantByte"), set("mostSignificantWord")
	order := map[[2]bool]string{{true, true}: "ABCD", {true, false}: "CDAB", {false, true}: "BADC", {false, false}: "DCBA"}[[2]bool{b, w}]
	n := it.registers()
	switch {
	case it.typ == "bool", it.typ == "string" && b:
	case n == 1 || it.typ == "string":
		if !b {
			it.order = "BA"
		}
	case n == 4:
		it.order = wide[order]
	default:
		it.order = order
	}
	if !b && n > 1 && it.typ != "string" {
		it.assume("mostSignificantByte false with mostSignificantWord %t is read as %s", w, order)
	}
}

// rest is units, limits, names and access.
func (t *thing) rest(f *form, it *item) {
	number := it.typ != "bool" && it.typ != "string"
	if u := f.thing.get("unit").words(); u != "" && number {
		it.setUnits(last(u))
		if code, ok := unitsOf(u); ok && code != "" {
			it.units = code
		}
	}
	if f.writes && it.table.Writable() && !(it.typ == "string" && it.length%2 == 1) {
		it.write = "{}"
	} else if f.writes && len(f.form.get("op").list) > 0 {
		it.comments = append(it.comments, "the form writes, but nothing writes a "+it.table.String())
	}
	var limits, ends []string
	for _, k := range []pair{{"minimum", "min"}, {"maximum", "max"}} {
		if r, ok := f.thing.get(k.key).rat(); ok && number {
			limits, ends = append(limits, k.value+": "+text(r)), append(ends, text(r))
		}
	}
	switch words := strings.Join(limits, ", "); {
	case words == "":
	case it.write == "" && len(ends) == 2:
		it.extra = append(it.extra, pair{"range", "[" + strings.Join(ends, ", ") + "]"})
	case it.write == "":
		it.comments = append(it.comments, "the description's range: "+words)
	default:
		it.write = "{" + words + "}"
	}
	if e := f.thing.get("enum"); e.kind == jsonList {
		it.comments = append(it.comments, "enum of the description: "+e.flow())
	}
	if m := f.thing.get("multipleOf"); m.kind == jsonNumber {
		it.comments = append(it.comments, "multipleOf of the description: "+m.text+" (not taken for a scale)")
	}
	if p := t.term(f.form, "pollingTime", "pollingRate"); p.kind == jsonNumber {
		if n, ok := p.integer(); ok && n > 0 {
			it.extra = append(it.extra, pair{"every", fmt.Sprintf("%dms", n)})
		}
	}
	if p := t.term(f.form, "timeout"); p.kind != jsonNull {
		it.comments = append(it.comments, "timeout of the form: "+p.flow()+" ms; a map has none, a line has")
	}
}
