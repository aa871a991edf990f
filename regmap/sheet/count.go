package sheet

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
)

// entry is a row that has an address, before the list's counting is settled.
type entry struct {
	t        *table
	row      Row
	place    string
	address  address
	table    regmap.Table // what the row says beside its address; 0: nothing
	why      string       // which words say the table
	typ      cellType
	hasType  bool
	function functions
}

// get is the row's cell with the given role.
func (e *entry) get(role string) string { return e.t.get(e.row, role) }

// reference is the entry's address as a traditional number, where its digits
// are one and nothing in the row speaks against it.
func (e *entry) reference() (regmap.Reference, bool) {
	r, ok := e.address.reference()
	switch {
	case !ok, e.table != 0 && e.table != r.Table:
		return r, false
	case r.Table.Bits() && e.hasType && e.typ.name != "bool":
		return r, false // a leading 0 or 1 of a plain number
	}
	return r, true
}

// counting is how a list counts: references are taken as such, all other
// numbers from zero or one.
type counting struct {
	from       CountFrom
	references bool
}

// zeroWords and oneWords in a heading say from which number it counts.
var (
	zeroWords = []string{"0 based", "zero based", "from 0", "protocol", "pdu", "wire", "offset", "base 0", "absolute"}
	oneWords  = []string{"1 based", "one based", "from 1", "base 1", "reference"}
)

func headed(heading string, words []string) bool {
	n := " " + normal(heading) + " "
	return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(n, " "+w+" ") })
}

// tally is what the addresses of a list look like.
type tally struct {
	references, plain, hex, short, total int
	zero, sample                         *entry
}

func tallyOf(entries []*entry) tally {
	var n tally
	sampleIsReference := false
	for _, e := range entries {
		n.total++
		_, isReference := e.reference()
		switch {
		case e.address.short:
			n.short++
			continue
		case isReference:
			n.references++
		case e.address.hex:
			n.hex++
		default:
			n.plain++
		}
		if e.address.number == 0 && n.zero == nil {
			n.zero = e
		}
		if n.sample == nil || !isReference && sampleIsReference {
			n.sample, sampleIsReference = e, isReference
		}
	}
	return n
}

// settleCounting finds out from which number the list counts, or asks.
func (r *Result) settleCounting(entries []*entry, told CountFrom) counting {
	t := entries[0].t
	c := &t.columns[t.at[roleAddress]]
	n := tallyOf(entries)
	say := func(from CountFrom, references bool, format string, args ...any) counting {
		words := "as protocol addresses counted from 0"
		switch {
		case references:
			words = "as references such as 40001, which count from 1"
		case from == CountFromOne:
			words = "as numbers counted from 1: number 1 is address 0"
		}
		r.note("%s is taken %s: %s", c, words, fmt.Sprintf(format, args...))
		return counting{from, references}
	}
	zero, one := headed(c.Heading, zeroWords), headed(c.Heading, oneWords)
	agrees := agreement(entries)
	switch {
	case told != 0:
		return say(told, told == CountFromOne && n.references > 0, "told by --count-from")
	case n.total == 0 || n.short == n.total:
		return counting{CountFromOne, true}
	case agrees == 1:
		return say(CountFromOne, n.references > 0, "the offsets beside it are one less")
	case n.references > 0 && n.plain+n.hex == 0 && !zero:
		return say(CountFromOne, true, "every one has the leading digit of a table")
	case n.references == n.total && zero, n.references > 0 && n.zero == nil && !zero && !one:
		r.askCounting(c, n, "some have the leading digit of a table as 40001 has, which its heading or its other rows speak against")
	case one:
		return say(CountFromOne, n.references > 0, "its heading says so")
	case zero:
		return say(CountFromZero, false, "its heading says so")
	case n.zero != nil && n.references == 0:
		return say(CountFromZero, false, "%s has 0, which no list counted from 1 has", n.zero.place)
	case n.hex > 0 && n.plain+n.references == 0:
		return say(CountFromZero, false, "they are hexadecimal, as protocol addresses are usually written")
	default:
		r.askCounting(c, n, "nothing in the list tells")
	}
	return counting{}
}

func (r *Result) askCounting(c *Column, n tally, why string) {
	first := n.sample.address.number
	r.ask("does %s count from 0 or from 1? %s has %s, which is address %d or %d on the wire; %s. Say --count-from 0 or --count-from 1",
		c, n.sample.place, n.sample.address.text, first, n.otherAddress(), why)
}

// otherAddress is what the sample means counted from 1.
func (n tally) otherAddress() int {
	if ref, ok := n.sample.reference(); ok {
		return int(ref.Address())
	}
	return n.sample.address.number - 1
}

// agreement compares with a second address column: 1 where it is one less than
// the first (or than the reference's number) in every row, 0 otherwise.
func agreement(entries []*entry) int {
	same := 0
	for _, e := range entries {
		if !e.t.has(roleOffset) {
			return 0
		}
		o, err := parseAddress(e.get(roleOffset))
		if err != nil || e.address.short {
			continue
		}
		n := e.address.number
		if ref, ok := e.reference(); ok {
			n = ref.Number
		}
		if o.number != n-1 {
			return 0
		}
		same++
	}
	return min(same, 1)
}

// place works out table and address of an entry; the error says why it cannot.
func (c counting) place(e *entry, it *item) error {
	a := e.address
	ref, isReference := e.reference()
	if raw, ok := a.reference(); c.references && ok && e.table != 0 && raw.Table != e.table && len(a.text) >= 5 && a.number > 9999 {
		return fmt.Errorf("%s has the leading digit of table %s, and %s says %s", a.text, raw.Table, e.why, e.table)
	}
	it.table, it.address = e.table, a.number
	switch {
	case a.short:
		it.table, it.address = a.table, a.number-1
	case c.references && isReference:
		it.table, it.address, it.reference = ref.Table, int(ref.Address()), ref.String()
	case c.from == CountFromOne:
		it.address--
	}
	switch {
	case e.table != 0 && it.table != e.table:
		return fmt.Errorf("%s has the leading digit of table %s, and %s says %s", a.text, it.table, e.why, e.table)
	case it.address < 0:
		return fmt.Errorf("%s: there is no number 0 where counting starts at 1", a.text)
	case it.address >= regmap.TableSize:
		return fmt.Errorf("%s is beyond address 65535", a.text)
	}
	return nil
}

// span is how many registers the row's address range gives; 0 for none.
func (a address) span() int {
	if a.last < 0 {
		return 0
	}
	return a.last - a.number + 1
}
