package sheet

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// thing is a Thing Description on its way into a map.
type thing struct {
	*Result
	root     jsonValue
	base     *url.URL
	prefixes []string // of the Modbus vocabulary: "modv:" and what else the context maps to it
	own      string   // of our own vocabulary
	forms    []*form
	units    map[string]bool // the stations' numbers met
}

// form is one affordance with the form that is read.
type form struct {
	name      string
	thing     jsonValue
	form      jsonValue
	place     string
	table     regmap.Table
	number    int
	quantity  int
	zeroBased *bool
	writes    bool
}

// The vocabulary's namespace, which is met with and without its last sign, and
// the address of its context file.
// Source: W3C Modbus binding, Editor's Draft (schema, context file, example).
// Our own stands under a name that is nobody's (RFC 2606, 2).
const (
	modvNamespace = "https://www.w3.org/2019/wot/modbus"
	ownNamespace  = "https://plumbline.example/map#"
)

// Thing makes a map of a W3C Thing Description with the Modbus binding, in all
// the spellings met. Where its addresses can be read in two ways, Questions has
// it and Map is nil. Every error wraps ErrSource.
func Thing(source string, text []byte, o Options) (*Result, error) {
	root, err := parseJSON(source, text)
	if err != nil {
		return nil, err
	}
	if properties := root.get("properties"); properties.kind != jsonObject || len(properties.keys) == 0 {
		return nil, sourceError(source, "a Thing Description with properties is wanted; this has none")
	}
	t := &thing{Result: &Result{Kind: "thing description"}, root: root, units: map[string]bool{}}
	t.context()
	if s := root.get("base").words(); s != "" {
		if t.base, err = url.Parse(s); err != nil {
			return nil, sourceError(source, "base %q is no address", clip(s))
		}
	}
	t.heading(source, o)
	properties := root.get("properties")
	for i, name := range properties.keys {
		t.property(name, properties.vals[i])
	}
	for _, kind := range []string{"actions", "events"} {
		for _, name := range root.get(kind).keys {
			t.leave(kind+"."+clip(name), "", "only properties become points", false)
		}
	}
	t.count(o.CountFrom)
	if len(t.Questions) > 0 {
		return t.Result, nil
	}
	taken := names{}
	for _, f := range t.forms {
		it, err := t.item(f)
		if err != nil {
			t.leave(f.place, f.form.get("href").words(), err.Error(), false)
			continue
		}
		it.name = taken.free(it.name)
		t.items = append(t.items, it)
	}
	if len(t.units) > 1 {
		t.note("the forms name %d unit numbers (%s); a map is one station, so take care", len(t.units), strings.Join(sortedKeys(t.units), ", "))
	}
	if err := t.settle(source); err != nil {
		return nil, err
	}
	return t.Result, nil
}

func sortedKeys(m map[string]bool) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// context finds the prefixes of the Modbus vocabulary and of ours.
func (t *thing) context() {
	t.prefixes = []string{"modv:", "modbus:", modvNamespace + "#", modvNamespace + "/"}
	t.own = "plumbline:"
	list := t.root.get("@context")
	if list.kind != jsonList {
		list = jsonValue{kind: jsonList, list: []jsonValue{list}}
	}
	for _, c := range list.list {
		for i, prefix := range c.keys {
			to := c.vals[i].words()
			switch {
			case strings.HasPrefix(to, modvNamespace), strings.Contains(to, "bindings/protocols/modbus"):
				t.prefixes = append(t.prefixes, prefix+":")
			case to == ownNamespace:
				t.own = prefix + ":"
			}
		}
	}
}

// term is a term of the Modbus vocabulary in a form, under any of its prefixes.
func (t *thing) term(v jsonValue, names ...string) jsonValue {
	for _, name := range names {
		for _, prefix := range t.prefixes {
			if got := v.get(prefix + name); got.kind != jsonNull {
				return got
			}
		}
	}
	return jsonValue{}
}

// heading is what the description says of the whole.
func (t *thing) heading(source string, o Options) {
	t.head = header{device: o.Device, about: t.root.get("description").words()}
	for _, s := range []string{t.root.get("title").words(), clip(source), "thing"} {
		if t.head.device == "" {
			t.head.device = s
		}
	}
	t.head.comments = []string{"Made by plumbline import of the Thing Description " + source + "."}
	own := t.root.get(t.own + "map")
	for i, key := range own.keys {
		switch key {
		case "device", "about", "points", "groups", "simulate":
		default:
			t.head.keys = append(t.head.keys, pair{flowKey(clean(key)), own.vals[i].flow()})
		}
	}
	derived := t.root.get(t.own + "derived")
	for i, key := range derived.keys {
		if nameOf(key) == key {
			t.head.derived = append(t.head.derived, pair{key, derived.vals[i].flow()})
		}
	}
	for _, key := range []string{"securityDefinitions", "links", "support", "version"} {
		if t.root.has(key) && !(key == "securityDefinitions" && t.root.get(key).get("nosec_sc").kind == jsonObject && len(t.root.get(key).keys) == 1) {
			t.note("%s is not kept: a map says nothing about it", key)
		}
	}
}

// property finds the form of a property that speaks Modbus.
func (t *thing) property(name string, v jsonValue) {
	place := "properties." + clip(name)
	var first *form
	why := "it has no form"
	writes, readable := false, false
	for i, fv := range v.get("forms").list {
		f := &form{name: name, thing: v, form: fv, place: place}
		if err := t.read(f); err != nil {
			why = err.Error()
			continue
		}
		reads, w := operations(fv)
		writes = writes || w
		if first == nil || reads && !readable {
			first, readable = f, reads
		} else if f.table != first.table || f.number != first.number {
			t.leave(fmt.Sprintf("%s.forms[%d]", place, i), fv.get("href").words(), "a second place of the same property", false)
		}
	}
	if first == nil {
		t.leave(place, v.get("title").words(), why, false)
		return
	}
	first.writes = writes || t.writeFunction(v)
	if v.get("readOnly").yes {
		first.writes = false
	}
	t.forms = append(t.forms, first)
}

// operations is what a form says can be done; a form of a property that says
// nothing reads and writes.
// Source: WoT Thing Description 1.1, 5.4 (default values).
func operations(f jsonValue) (reads, writes bool) {
	op := f.get("op")
	list := op.list
	if op.kind == jsonText {
		list = []jsonValue{op}
	}
	if len(list) == 0 {
		return true, true
	}
	for _, o := range list {
		switch o.words() {
		case "readproperty", "observeproperty":
			reads = true
		case "writeproperty":
			writes = true
		}
	}
	return reads, writes
}

// functionNames are the functions by their spellings, those of the schema, of
// the context file and of the examples, in lower case.
// Source: W3C Modbus binding: schema (plural), context file (singular),
// examples (writeCoil).
var functionNames = map[string]regmap.Table{
	"readcoil": regmap.Coil, "readcoils": regmap.Coil, "writesinglecoil": regmap.Coil, "writecoil": regmap.Coil, "writemultiplecoils": regmap.Coil, "writemultiplecoil": regmap.Coil,
	"readdiscreteinput": regmap.DiscreteInput, "readdiscreteinputs": regmap.DiscreteInput,
	"readholdingregisters": regmap.HoldingRegister, "readholdingregister": regmap.HoldingRegister, "readinputregisters": regmap.InputRegister, "readinputregister": regmap.InputRegister,
	"writesingleholdingregister": regmap.HoldingRegister, "writemultipleholdingregisters": regmap.HoldingRegister, "writemultipleholdingregister": regmap.HoldingRegister,
}

var entityNames = map[string]regmap.Table{
	"coil": regmap.Coil, "discreteinput": regmap.DiscreteInput, "inputregister": regmap.InputRegister, "holdingregister": regmap.HoldingRegister,
}

// last is a term's name without prefix, in lower case: "modv:Coil" is "coil".
func last(s string) string {
	if at := strings.LastIndexAny(s, ":#/"); at >= 0 {
		s = s[at+1:]
	}
	return strings.ToLower(s)
}

func (t *thing) writeFunction(v jsonValue) bool {
	for _, f := range v.get("forms").list {
		_, w := operations(f)
		if n := t.term(f, "function"); w && (strings.HasPrefix(last(n.words()), "write") || slices.Contains([]string{"5", "6", "15", "16"}, n.text)) {
			return true
		}
	}
	return false
}

// read takes the table and the number out of a form.
func (t *thing) read(f *form) error {
	entity, function := t.term(f.form, "entity"), t.term(f.form, "function")
	f.quantity = 1
	switch {
	case entity.kind != jsonNull: // wins over the function
		if f.table = entityNames[last(entity.words())]; f.table == 0 {
			return fmt.Errorf("the entity %q is none of Coil, DiscreteInput, InputRegister, HoldingRegister", clip(entity.text))
		}
	case function.kind == jsonNumber:
		code, _ := function.integer()
		if f.table = functionTables[code]; f.table == 0 {
			return fmt.Errorf("function %s reads no table", function.text)
		}
	case function.kind == jsonText:
		if f.table = functionNames[last(function.words())]; f.table == 0 {
			return fmt.Errorf("the function %q reads no table", clip(function.text))
		}
	}
	if err := t.href(f); err != nil {
		return err
	}
	if f.table == 0 {
		return fmt.Errorf("neither entity nor function says which table")
	}
	if z := t.term(f.form, "zeroBasedAddressing"); z.kind == jsonBool {
		f.zeroBased = &z.yes
	}
	return nil
}

// href reads modbus+tcp://host:port/unit/address?quantity=n, and the number
// and quantity given as terms of the form instead.
func (t *thing) href(f *form) error {
	u, err := url.Parse(f.form.get("href").words())
	if err != nil {
		return fmt.Errorf("the href %q is no address", clip(f.form.get("href").words()))
	}
	if t.base != nil {
		u = t.base.ResolveReference(u)
	}
	if u.Scheme != "" && !strings.HasPrefix(u.Scheme, "modbus") {
		return fmt.Errorf("the form speaks %s, not Modbus", clip(u.Scheme))
	}
	parts := strings.FieldsFunc(u.Path, func(r rune) bool { return r == '/' })
	number, found := 0, false
	if len(parts) >= 2 {
		number, err = strconv.Atoi(parts[1])
		found = err == nil && number >= 0
	}
	if len(parts) >= 1 {
		t.units[clip(parts[0])] = true
	}
	for _, name := range []string{"address", "offset"} {
		if n, err := strconv.Atoi(u.Query().Get(name)); err == nil && !found {
			number, found = n, n >= 0
		}
	}
	if n, ok := t.term(f.form, "address", "offset").integer(); ok && !found {
		number, found = n, n >= 0
	}
	if !found {
		return fmt.Errorf("the href %q has no unit and address, as in modbus+tcp://host:port/unit/address?quantity=1", clip(f.form.get("href").words()))
	}
	f.number = number
	if n, err := strconv.Atoi(u.Query().Get("quantity")); err == nil && n > 0 {
		f.quantity = n
	} else if n, ok := t.term(f.form, "quantity", "length").integer(); ok && n > 0 {
		f.quantity = n
	}
	if f.quantity > regmap.TableSize {
		return fmt.Errorf("a quantity of %d is beyond a table", f.quantity)
	}
	return nil
}
