package sheet

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// item makes a point of a row; the error is why it cannot.
func (l *listing) item(e *entry, c counting) (*item, error) {
	it := newItem(e.place)
	it.source = rowText(e.row)
	if err := c.place(e, it); err != nil {
		return nil, err
	}
	l.describe(e, it)
	if err := l.bitOf(e, it); err != nil {
		return nil, err
	}
	if err := l.typeOf(e, it); err != nil {
		return nil, err
	}
	l.access(e, it)
	if it.typ != "bool" && it.typ != "string" && it.typ != "bits" {
		if err := l.scaleOf(e, it); err != nil {
			return nil, err
		}
		if s := e.get(roleUnits); s != "" && e.t.own {
			it.units = clean(s)
		} else if s != "" {
			it.setUnits(l.factored(e, it, s))
		}
		l.limits(e, it)
	}
	l.named(e, it)
	l.remark(e, it)
	return it, it.takeOurs(e)
}

// describe takes the row's words: name, tag, description, and units in
// brackets behind them.
func (l *listing) describe(e *entry, it *item) {
	it.tag = clean(e.get(roleTag))
	name, about := clean(e.get(roleName)), clean(e.get(roleAbout))
	if ownName.MatchString(name) && (e.t.own || about != "") {
		it.name, it.about = name, about
		return
	}
	if !e.t.own && !e.t.has(roleUnits) || !e.t.own && e.get(roleUnits) == "" {
		for _, s := range []*string{&about, &name} {
			if rest, units, ok := unitsInBrackets(*s); ok {
				*s = rest
				it.setUnits(units)
				break
			}
		}
	}
	it.about = about
	if about == "" && nameOf(name) != name { // else the point's name says it
		it.about = name
	}
	for _, s := range []string{name, about, it.tag} {
		if it.name = nameOf(s); it.name != "" {
			return
		}
	}
	it.name = fmt.Sprintf("%s-%d", it.table, it.address)
}

// bitOf reads which bit of a register the row is.
func (l *listing) bitOf(e *entry, it *item) error {
	s := strings.ToLower(clean(e.get(roleBit)))
	bit := e.address.bit
	if e.typ.bit > 0 && bit < 0 {
		bit = e.typ.bit - 1
	}
	if s != "" && s != "-" {
		n, err := strconv.Atoi(strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(s, "bit"), "b")))
		if err != nil || n < 0 || n > 32 {
			return fmt.Errorf("%q is no bit number; a run of bits is not taken from a list", clip(s))
		}
		if bit >= 0 && bit != n {
			return fmt.Errorf("the address says bit %d, the bit column %d", bit, n)
		}
		bit = n
	}
	if bit < 0 {
		return nil
	}
	if it.table.Bits() {
		return fmt.Errorf("a %s is one bit, it has no bit %d", it.table, bit)
	}
	if e.hasType && e.typ.name != "bool" {
		if s != "" && e.address.bit < 0 && !bitRow(e) {
			return fmt.Errorf("bit %d of a register is a bool, the row says %s", bit, e.typ.name)
		}
		it.assume("one bit, though the row says %s", e.typ.name)
	}
	it.bit = bit - l.bitFrom
	if it.bit < 0 || it.bit > 31 {
		return fmt.Errorf("there is no bit %d where bits count from %d", bit, l.bitFrom)
	}
	it.typ = "bool"
	return nil
}

// bitRow says whether the type of a row with a bit number may be that of the
// word the bit lies in.
func bitRow(e *entry) bool {
	return e.typ.name == "bits" || e.typ.name == "uint16" || e.typ.name == "uint32" || e.typ.name == "int16"
}

// countBits finds out from which number the list counts its bits.
func (l *listing) countBits() {
	zero, sixteen, any := false, false, false
	see := func(bit int) {
		zero, sixteen, any = zero || bit == 0, sixteen || bit == 16, true
	}
	for _, e := range l.entries {
		if e.address.bit >= 0 {
			see(e.address.bit)
		}
		s := strings.ToLower(clean(e.get(roleBit)))
		if n, err := strconv.Atoi(strings.TrimSpace(strings.TrimPrefix(s, "bit"))); err == nil {
			see(n)
		}
	}
	switch {
	case !any:
	case sixteen && !zero:
		l.bitFrom = 1
		l.note("bits are taken as counted from 1: bit 16 is there and bit 0 is not")
	case zero:
		l.note("bits are taken as counted from 0: bit 0 is there")
	default:
		l.note("bits are taken as counted from 0; neither bit 0 nor bit 16 is there to tell")
	}
}

// typeOf settles the type and the registers of the row, and its byte order.
func (l *listing) typeOf(e *entry, it *item) error {
	registers, err := l.registersOf(e)
	if err != nil {
		return err
	}
	t := e.typ
	said := e.hasType || t.signed || t.unsigned
	switch {
	case it.typ == "bool":
		return nil
	case it.table.Bits():
		if e.hasType && t.name != "bool" {
			return fmt.Errorf("a %s is one bit, and the row says %s", it.table, t.name)
		}
		if registers > 1 {
			return fmt.Errorf("the row is %d %ss, and a point is one", registers, it.table)
		}
		it.typ = "bool"
		return nil
	case t.name == "bool":
		it.typ = "uint16"
		it.assume("bool in a whole register, which bit is not said: read as the register's number, 0 or 1")
		it.values = []pair{{"0", "off"}, {"1", "on"}}
		return nil
	case t.name == "string":
		return l.stringOf(e, it, registers)
	case !said && registers > 1:
		return fmt.Errorf("no type is said for its %d registers", registers)
	case !said:
		it.assume("type not said: uint16")
	case !e.hasType && registers == 0:
		it.assume("the width is not said: 16 bits")
	}
	t = t.widen(registers)
	it.typ, it.size = t.name, t.size
	if t.unsure != "" {
		it.assume("%s", t.unsure)
	}
	if n := it.registers(); registers != 0 && registers != n {
		return fmt.Errorf("%s takes %d registers, the row gives %d", it.typ, n, registers)
	}
	l.orderOf(e, it)
	return nil
}

// registersOf is how many registers the row gives its point; 0 for not said.
func (l *listing) registersOf(e *entry) (int, error) {
	n := e.address.span()
	number := func(role string) (int, bool) {
		f := strings.Fields(e.get(role))
		if len(f) == 0 {
			return 0, false
		}
		v, err := strconv.Atoi(strings.TrimSuffix(f[0], ".0"))
		return v, err == nil && v > 0
	}
	got, ok := number(roleLength)
	if ok && e.typ.name != "string" && (got == 8 || got == 16 || got == 32 || got == 64) {
		got = max(got/16, 1) // a width in bits
	}
	if b, okBytes := number(roleBytes); !ok && okBytes {
		got, ok = (b+1)/2, true
	}
	if ok && n > 0 && got != n && e.typ.name != "string" {
		return 0, fmt.Errorf("the address range is %d registers, the length says %d", n, got)
	}
	if n == 0 && ok {
		n = got
	}
	return n, nil
}

// stringOf settles a string's length in characters.
func (l *listing) stringOf(e *entry, it *item, registers int) error {
	it.typ, it.length = "string", e.typ.length
	if b, err := strconv.Atoi(e.get(roleBytes)); it.length == 0 && err == nil {
		it.length = b
	}
	if it.length == 0 && registers > 0 {
		it.length = 2 * registers
		if e.address.span() == 0 {
			it.assume("the length of %d is registers, so %d characters", registers, it.length)
		}
	}
	switch {
	case it.length == 0:
		return fmt.Errorf("how long the string is, is not said")
	case it.length > 250:
		return fmt.Errorf("a string of %d characters goes beyond one read of 125 registers", it.length)
	}
	if o, _, _ := l.orderWords(e); o == "BADC" || o == "DCBA" {
		it.order = "BA"
	}
	return nil
}

func (l *listing) orderWords(e *entry) (order, unsure, rest string) {
	order, unsure, rest = parseOrder(e.get(roleOrder))
	if order == "" {
		order, unsure = e.typ.order, ""
	}
	if s := e.get(roleRemark); order == "" && s != "" {
		if order = remarkOrder(s); order != "" {
			unsure = fmt.Sprintf("the order %s, for the remark %q", order, clip(s))
		}
	}
	return order, unsure, rest
}

// wide are the letters of 64-bit orders for those of 32 bits.
var wide = map[string]string{"ABCD": "ABCDEFGH", "CDAB": "GHEFCDAB", "BADC": "BADCFEHG", "DCBA": "HGFEDCBA"}

// orderOf settles the byte order.
func (l *listing) orderOf(e *entry, it *item) {
	order, unsure, _ := l.orderWords(e)
	n := it.registers()
	if said := e.get(roleOrder); said != "" && said != "-" && order == "" {
		it.assume("the order %q is not understood; high word first is taken", clip(said))
	}
	switch {
	case n == 1:
		if order == "BADC" || order == "DCBA" {
			it.order = "BA"
		}
	case order == "":
		it.assume("the order is not said: high word first, high byte first")
	case n == 4:
		it.order = wide[order]
	default:
		it.order = order
	}
	if unsure != "" && n > 1 {
		it.assume("%s", unsure)
	}
}

// access settles whether the row may be written.
func (l *listing) access(e *entry, it *item) {
	writes := e.function.write
	if s := e.get(roleAccess); s != "" && s != "-" {
		a, ok := ownAccess(s, it)
		if !ok {
			a, ok = parseAccess(s)
		}
		switch {
		case !ok && len(s) > 12: // words of another kind
			it.comments = append(it.comments, "remark: "+clean(s))
		case !ok:
			it.assume("%q says nothing about writing: read only", clip(s))
		}
		if !ok {
			return
		}
		if writes = writes || a.write; !a.read {
			it.comments = append(it.comments, "the list says write only")
		}
	}
	switch {
	case writes && !it.table.Writable():
		it.assume("the list says it can be written, but nothing writes a %s: read only", it.table)
	case writes && it.typ == "string" && it.length%2 == 1:
		it.assume("a string of %d characters shares its last register: read only", it.length)
	case writes:
		it.write = "{}"
	}
}

// scaleOf settles the scale: a factor, a divisor, a raw span or decimals.
func (l *listing) scaleOf(e *entry, it *item) error {
	if scale, ok := ownScale(e.get(roleScale), it); ok {
		it.scale = scale
		return nil
	}
	times, said, err := l.factor(e)
	if err != nil {
		return err
	}
	plus, err := l.number(e, rolePlus)
	if err != nil {
		return err
	}
	decimals, err := l.decimals(e)
	if err != nil {
		return err
	}
	it.decimals = decimals
	float := strings.HasPrefix(it.typ, "float")
	rawMin, rawMax, span := l.span(e)
	switch {
	case said:
	case span != nil && rawMin.Cmp(rawMax) != 0:
		it.scale = fmt.Sprintf("{raw: [%s, %s], value: [%s, %s]}", text(rawMin), text(rawMax), text(span[0]), text(span[1]))
		return nil
	case decimals > 0 && !float:
		times = new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil))
		it.assume("the decimals, %d, are in the raw number: value = raw x %s", decimals, text(times))
	}
	one := times == nil || times.Cmp(big.NewRat(1, 1)) == 0
	switch {
	case one && (plus == nil || plus.Sign() == 0):
	case plus == nil || plus.Sign() == 0:
		it.scale = "{times: " + text(times) + "}"
	default:
		if times == nil {
			times = big.NewRat(1, 1)
		}
		it.scale = fmt.Sprintf("{times: %s, plus: %s}", text(times), text(plus))
		it.assume("value = raw x %s + %s", text(times), text(plus))
	}
	return nil
}

func text(r *big.Rat) string { s, _ := decimalText(r); return s }

// factor is what raw numbers are multiplied by.
func (l *listing) factor(e *entry) (*big.Rat, bool, error) {
	for _, role := range []string{roleTimes, roleDivide, roleScale} {
		s := e.get(role)
		if s == "" || s == "-" || strings.EqualFold(s, "n/a") || strings.EqualFold(s, "none") {
			continue
		}
		r, kind, err := parseScale(s)
		if err != nil {
			return nil, false, err
		}
		if kind == scaleDivide || kind == scaleBare && role == roleDivide {
			r.Inv(r)
		}
		return r, true, nil
	}
	return nil, false, nil
}

// number is a cell's number; nil for an empty cell.
func (l *listing) number(e *entry, role string) (*big.Rat, error) {
	s := e.get(role)
	if s == "" || s == "-" {
		return nil, nil
	}
	r, err := parseNumber(s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", role, err)
	}
	return r, nil
}

// decimals is how many decimals the row gives, as a number or as a picture
// such as 0.00; -1 for none said.
func (l *listing) decimals(e *entry) (int, error) {
	s := e.get(roleDecimals)
	if s == "" || s == "-" {
		return -1, nil
	}
	if _, places, ok := strings.Cut(strings.ReplaceAll(s, ",", "."), "."); ok && strings.Trim(s, "0#xX.,") == "" {
		return min(len(places), 9), nil
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 0 || n > 9 {
		return -1, fmt.Errorf("%q is no number of decimals from 0 to 9", clip(s))
	}
	return n, nil
}

// span is a raw range with the values at its ends; nil values where the list
// has not both.
func (l *listing) span(e *entry) (rawMin, rawMax *big.Rat, values []*big.Rat) {
	rawMin, errMin := l.number(e, roleRawMin)
	rawMax, errMax := l.number(e, roleRawMax)
	if a, b, _, ok := parseRange(e.get(roleRawRange)); ok && rawMin == nil && rawMax == nil {
		rawMin, rawMax = a, b
	}
	low, high := l.ends(e)
	if errMin != nil || errMax != nil || rawMin == nil || rawMax == nil || low == nil || high == nil || low.Cmp(high) == 0 {
		return nil, nil, nil
	}
	return rawMin, rawMax, []*big.Rat{low, high}
}

// ends are the row's least and greatest value; nil where not said.
func (l *listing) ends(e *entry) (low, high *big.Rat) {
	low, _ = l.number(e, roleMin)
	high, _ = l.number(e, roleMax)
	if low == nil && high == nil {
		if a, b, _, ok := parseRange(e.get(roleRange)); ok {
			return a, b
		}
	}
	return low, high
}
