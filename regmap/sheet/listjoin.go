package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// limits puts the row's range where the map has a place for it: the limits of
// writing. Of a point that is only read it is kept as a comment.
func (l *listing) limits(e *entry, it *item) {
	if _, _, units, ok := parseRange(e.get(roleRange)); ok && units != "" && it.units == "" {
		it.setUnits(units)
	}
	low, high := l.ends(e)
	var parts []string
	if low != nil {
		parts = append(parts, "min: "+text(low))
	}
	if high != nil {
		parts = append(parts, "max: "+text(high))
	}
	switch limits := strings.Join(parts, ", "); {
	case limits == "":
	case it.unitFactor:
		it.comments = append(it.comments, "the list's range, in units or raw is not said: "+limits)
	case it.write == "" && low != nil && high != nil && low.Cmp(high) < 0 && !strings.Contains(it.scale, "plus") && !strings.Contains(it.scale, "raw"):
		it.extra = append(it.extra, pair{"range", "[" + text(low) + ", " + text(high) + "]"})
	case it.write == "" || low != nil && high != nil && low.Cmp(high) >= 0:
		it.comments = append(it.comments, "the list's range: "+limits)
	default:
		it.write = "{" + limits + "}"
	}
}

// named reads names for numbers or bits out of the row and those below it.
func (l *listing) named(e *entry, it *item) {
	if it.typ == "string" || it.typ == "bool" && it.bit >= 0 || strings.HasPrefix(it.typ, "float") {
		return
	}
	more := strings.Join(l.more[e], ";")
	for _, role := range []string{roleValues, roleRemark, roleRange, roleAccess, roleAbout} {
		s := e.get(role)
		pairs, ok := parseNamed(s + ";" + more)
		if !ok && role != roleAbout {
			continue
		}
		if !ok {
			pairs, ok = parseNamed(more)
		}
		if !ok {
			continue
		}
		if it.typ == "bits" || it.registers() <= 2 && strings.HasPrefix(it.typ, "uint") && bitWords.MatchString(s) {
			it.toBits(pairs)
		} else {
			it.values = pairs
		}
		return
	}
}

var bitWords = regexp.MustCompile(`(?i)\bb(?:it)?\s*#?[0-9]`)

// toBits names the bits of a word.
func (it *item) toBits(pairs []pair) {
	if it.typ != "bits" {
		it.assume("its text names bits, so it is a word of bits, not %s", it.typ)
		it.size = 16 * it.registers()
		it.typ, it.scale, it.units, it.decimals = "bits", "", "", -1
	}
	size := max(it.size, 16)
	from := 0
	for _, p := range pairs {
		if n, _ := strconv.Atoi(p.key); n == size && pairs[0].key != "0" {
			from = 1
		}
	}
	taken := names{}
	for _, p := range pairs {
		n, _ := strconv.Atoi(p.key)
		name := nameOf(p.value)
		if n -= from; n < 0 || n >= size || name == "" {
			it.comments = append(it.comments, "no bit of its own: "+p.key+" "+p.value)
			continue
		}
		it.bits = append(it.bits, pair{fmt.Sprint(n), taken.free(name)})
	}
	if from == 1 {
		it.assume("its bits count from 1, since bit %d is there and bit 0 is not", size)
	}
}

// remark keeps the row's further words as a comment.
func (l *listing) remark(e *entry, it *item) {
	s := clean(e.get(roleRemark))
	if s == "" {
		return
	}
	for _, w := range []string{"counter", "totaliser", "totalizer"} {
		if n := normal(s); (n == w || strings.HasSuffix(n, " "+w)) && strings.Contains(it.typ, "uint") {
			it.counter = true
		}
	}
	it.comments = append(it.comments, "remark: "+s)
}

// joinBits puts rows that are single bits into the word at the same address
// where it has a row of its own.
func (l *listing) joinBits() {
	type spot struct {
		table   regmap.Table
		address int
	}
	words := map[spot]*item{}
	for _, it := range l.items {
		at := spot{it.table, it.address}
		if it.bit < 0 && words[at] == nil && !it.table.Bits() && it.registers() <= 2 && it.typ != "string" && !strings.HasPrefix(it.typ, "float") {
			words[at] = it
		}
	}
	kept := l.items[:0:0]
	for _, it := range l.items {
		word := words[spot{it.table, it.address}]
		switch {
		case it.bit < 0:
			kept = append(kept, it)
		case word == nil && it.bit > 15:
			l.leave(it.place, it.source, fmt.Sprintf("bit %d, and no row for the 32-bit word it lies in", it.bit), false)
		case word == nil:
			kept = append(kept, it)
		default:
			if why := word.addBit(it); why != "" {
				l.leave(it.place, it.source, why, false)
			}
		}
	}
	l.items = kept
}

// addBit makes a row that is one bit a named bit of its word.
func (word *item) addBit(it *item) string {
	if word.typ != "bits" {
		word.size = 16 * word.registers()
		word.typ, word.scale, word.units, word.decimals, word.values = "bits", "", "", -1, nil
	}
	if it.bit >= max(word.size, 16) {
		return fmt.Sprintf("the word in %s has no bit %d", word.place, it.bit)
	}
	taken := names{}
	for _, b := range word.bits {
		taken[b.value] = true
		if b.key == fmt.Sprint(it.bit) {
			return fmt.Sprintf("bit %d of the word in %s is already %s", it.bit, word.place, b.value)
		}
	}
	if it.write != "" && word.write == "" {
		word.write = "{}"
	}
	name := taken.free(it.name)
	word.bits = append(word.bits, pair{fmt.Sprint(it.bit), name})
	word.parts = append(word.parts, Taken{name, it.place, it.assumed})
	return ""
}

// nameItems gives each item a name of its own.
func (l *listing) nameItems() {
	taken := names{}
	for _, it := range l.items {
		it.name = taken.free(it.name)
	}
}
