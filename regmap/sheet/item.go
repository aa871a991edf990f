package sheet

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// item is a point on its way from a list into a map.
type item struct {
	name, tag, about string
	place            string // where it stands in the source
	source           string // what stands there, for the left-out list
	table            regmap.Table
	address          int
	reference        string // the digits, where the list gives a reference
	typ              string
	order            string
	length           int
	size             int
	bit              int // -1: none
	scale            string
	units            string
	decimals         int // -1: not said
	values           []pair
	bits             []pair
	write            string // flow text; "": read only
	writing          []pair // keys of write that our own lists say
	absent           []string
	counter          bool
	unitFactor       bool   // its units held a factor, so that numbers beside it may be raw ones
	extra            []pair // further keys with their values as flow text
	comments         []string
	assumed          []string
	parts            []Taken // rows that became its named bits
}

// pair is a key with its value.
type pair struct{ key, value string }

func newItem(place string) *item { return &item{place: place, bit: -1, decimals: -1} }

func (it *item) assume(format string, args ...any) {
	it.assumed = append(it.assumed, fmt.Sprintf(format, args...))
}

// registers is how many registers or bits the item takes; 0 when its type does
// not say.
func (it *item) registers() int {
	switch it.typ {
	case "string":
		return (it.length + 1) / 2
	case "bits":
		return max(it.size, 16) / 16
	case "int32", "uint32", "float32", "bcd32", "decimal-pair":
		return 2
	case "int64", "uint64", "float64":
		return 4
	case "":
		return 0
	}
	return 1
}

// header is what a map says about itself.
type header struct {
	device, about string
	comments      []string
	gap           int
	keys          []pair // further keys with their values as flow text
	blocks        []headPart
	derived       []pair // derived points with their blocks as flow text
	simulate      []pair // what points of a station in software always hold
}

// A headPart is one value in a block of a map's head: of a key, of a list under
// a key, or, without a key, of a list.
type headPart struct{ block, key, value string }

// headBlocks are the blocks of a map's head as flow text, in the order of
// their first part.
func (h header) headBlocks() (out []pair) {
	for _, block := range []string{"agreed", "limits", "holes"} {
		var list []string
		var keys []pair
		for _, p := range h.blocks {
			at := slices.IndexFunc(keys, func(k pair) bool { return k.key == p.key })
			switch {
			case p.block != block:
			case p.key == "":
				list = append(list, p.value)
			case at >= 0:
				keys[at].value += ", " + p.value
			default:
				keys = append(keys, pair{p.key, p.value})
			}
		}
		if block == "holes" {
			for i := range keys {
				keys[i].value = "[" + keys[i].value + "]"
			}
		}
		switch {
		case list != nil:
			out = append(out, pair{block, "[" + strings.Join(list, ", ") + "]"})
		case keys != nil:
			out = append(out, pair{block, flow(keys)})
		}
	}
	return out
}

// writeMap writes a map file.
func writeMap(h header, items []*item) []byte {
	var b strings.Builder
	for _, c := range h.comments {
		comment(&b, "", c)
	}
	fmt.Fprintf(&b, "device: %s\n", quote(h.device))
	if h.about != "" {
		fmt.Fprintf(&b, "about: %s\n", quote(h.about))
	}
	for _, k := range append(slices.Clone(h.keys), h.headBlocks()...) {
		fmt.Fprintf(&b, "%s: %s\n", k.key, k.value)
	}
	if h.gap > 0 {
		fmt.Fprintf(&b, "limits: {gap: %d}\n", h.gap)
	}
	b.WriteString("\npoints:\n")
	for _, it := range items {
		it.text(&b, "  ")
	}
	for _, d := range h.derived {
		fmt.Fprintf(&b, "  %s: %s\n", d.key, d.value)
	}
	h.station(&b, items)
	return []byte(b.String())
}

// station writes what points of a station in software always hold.
func (h header) station(b *strings.Builder, items []*item) {
	if len(h.simulate) == 0 {
		return
	}
	b.WriteString("\nsimulate:\n  points:\n")
	for _, s := range h.simulate {
		if slices.ContainsFunc(items, func(it *item) bool { return it.name == s.key }) {
			fmt.Fprintf(b, "    %s: {constant: %s}\n", s.key, s.value)
		}
	}
}

// text writes one point, with its comments before it.
func (it *item) text(b *strings.Builder, indent string) {
	if it.place != "" {
		comment(b, indent, strings.TrimSuffix(it.place+": "+it.source, ": "))
	}
	for _, a := range it.assumed {
		comment(b, indent, "assumed: "+a)
	}
	for _, c := range it.comments {
		comment(b, indent, c)
	}
	fmt.Fprintf(b, "%s%s:\n", indent, it.name)
	for _, k := range it.lines() {
		fmt.Fprintf(b, "%s  %s: %s\n", indent, k.key, k.value)
	}
}

// lines are the keys of a point in their usual order.
func (it *item) lines() []pair {
	var out []pair
	add := func(key, value string) {
		if value != "" {
			out = append(out, pair{key, value})
		}
	}
	words := func(key, value string) {
		if value != "" {
			add(key, quote(value))
		}
	}
	words("tag", it.tag)
	words("about", it.about)
	add(it.placeKey())
	add("type", it.typ)
	add("order", it.order)
	if it.typ == "string" {
		add("length", fmt.Sprint(it.length))
	}
	if it.typ == "bits" && it.size == 32 {
		add("size", "32")
	}
	if it.bit >= 0 {
		add("bit", fmt.Sprint(it.bit))
	}
	add("bits", flowBlock(it.bits))
	add("scale", it.scale)
	words("units", it.units)
	if it.decimals >= 0 {
		add("decimals", fmt.Sprint(it.decimals))
	}
	add("values", flowBlock(it.values))
	if len(it.absent) > 0 {
		add("absent", "["+strings.Join(it.absent, ", ")+"]")
	}
	if it.counter {
		add("counter", "true")
	}
	add("write", it.write)
	return append(out, it.extra...)
}

// placeKey is where the item lies, as a key and its value.
func (it *item) placeKey() (key, value string) {
	if it.reference != "" {
		return "reference", it.reference
	}
	return it.table.String(), fmt.Sprint(it.address)
}

// flowBlock writes pairs as one line; "" for none. Values are texts.
func flowBlock(pairs []pair) string {
	if len(pairs) == 0 {
		return ""
	}
	parts := make([]string, len(pairs))
	for i, p := range pairs {
		parts[i] = p.key + ": " + quote(p.value)
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// quote writes a text as a YAML scalar that reads back as the same text, in
// block and flow alike: plain where nobody could misread it.
// Source: YAML 1.2.2, 7.3.3 (plain style) and 5.7 (escaped characters).
func quote(s string) string {
	if plain(s) {
		return s
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// plain says whether a text needs no quotes: it begins with a letter, holds
// letters, digits and few marks, and is no word that YAML readers take for
// something else.
func plain(s string) bool {
	if s == "" || strings.HasSuffix(s, " ") {
		return false
	}
	for i, r := range s {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
		switch {
		case letter:
		case i == 0:
			return false
		case r >= '0' && r <= '9', strings.ContainsRune(" -_./()+%", r):
		default:
			return false
		}
	}
	switch strings.ToLower(s) {
	case "null", "true", "false", "yes", "no", "on", "off", "y", "n":
		return false
	}
	return true
}

// clean is a text from outside on one line, without the characters that a map
// must not hold. What is taken out is replaced by a space.
func clean(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, " "), func(r rune) bool {
		return r == ' ' || r == '\u00a0' || doc.Hidden(r)
	}), " ")
}

// longestComment is how much of a source's text a comment repeats, in bytes.
const longestComment = 300

func comment(b *strings.Builder, indent, s string) {
	s = clean(s)
	if len(s) > longestComment {
		s = strings.ToValidUTF8(s[:longestComment], "") + "..."
	}
	fmt.Fprintf(b, "%s# %s\n", indent, s)
}
