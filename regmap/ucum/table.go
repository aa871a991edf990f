package ucum

import (
	"fmt"
	"math/big"
	"strings"
	"sync"
)

// meaning is what a code stands for, apart from its spelling: value in base
// units = number x factor x pi^turns + offset.
type meaning struct {
	dimension Dimension
	factor    *big.Rat // nil: 1; never 0, never changed once made
	turns     int      // power of pi in the factor
	offset    *big.Rat // where zero lies, in base units; nil: at their zero
	scale     string   // a scale of its own, such as "[pH]"; "": the base units'
}

// plain says whether the meaning may take part in products and powers. Source:
// UCUM 2.2, section on special units (from memory).
func (m meaning) plain() bool { return m.offset == nil && m.scale == "" }

// times is the factor, 1 where there is none.
func (m meaning) times() *big.Rat {
	if m.factor == nil {
		return big.NewRat(1, 1)
	}
	return m.factor
}

// entry is one atom of the table, resolved to base units.
type entry struct {
	meaning
	name   string
	metric bool
}

// symbols are the atoms by code.
type symbols map[string]entry

// Atoms gives the table, each unit after those that define it.
func Atoms() []Atom {
	var all []Atom
	for _, group := range atoms {
		all = append(all, group...)
	}
	return all
}

// known is the table, resolved once. A row that cannot be read is a fault of
// this package; the tests read every row.
var known = sync.OnceValue(func() symbols {
	t := symbols{}
	bases := 0
	for _, a := range Atoms() {
		e := entry{name: a.Name, metric: a.Metric}
		if a.Of == "" {
			e.dimension[bases] = 1
			bases++
		} else {
			e.meaning = t.define(a)
		}
		t[a.Code] = e
	}
	return t
})

// define resolves one row by the rows above it.
func (t symbols) define(a Atom) meaning {
	value, ok := new(big.Rat).SetString(a.Value)
	p := parser{code: a.Of, known: t}
	m, err := p.whole()
	if !ok || err != nil {
		panic(fmt.Sprintf("ucum: the row of %s cannot be read: %s %s, %v", a.Code, a.Value, a.Of, err))
	}
	if a.Code == piCode {
		return meaning{turns: 1}
	}
	m.factor = value.Mul(value, m.times())
	if text, ok := offsets[a.Code]; ok {
		m.offset, _ = new(big.Rat).SetString(text)
	}
	if _, ok := ownScales[a.Code]; ok {
		m.scale = a.Code
	}
	return m
}

// find looks a symbol up: an atom, or a prefix before a metric atom. The name
// is for people. No symbol has two readings (TestNoSymbolTwice).
func (t symbols) find(symbol string) (m meaning, name string, ok bool) {
	if e, ok := t[symbol]; ok {
		return e.meaning, e.name, true
	}
	for _, p := range prefixes {
		rest, cut := strings.CutPrefix(symbol, p.code)
		if !cut {
			continue
		}
		if e, ok := t[rest]; ok && e.metric {
			m := e.meaning
			m.factor = new(big.Rat).Mul(m.times(), p.times())
			return m, p.name + e.name, true
		}
	}
	return meaning{}, "", false
}

// prefix is a multiple or part of a metric unit: base to the power.
type prefix struct {
	code, name  string
	base, power int64
}

// prefixes are those of UCUM, decimal and binary. Source: SI Brochure 2019,
// table 7, and IEC 80000-13, clause 4 (both from memory). The four SI prefixes
// of 2022 are left out: no plant value needs them.
var prefixes = []prefix{
	{"Y", "yotta", 10, 24}, {"Z", "zetta", 10, 21}, {"E", "exa", 10, 18}, {"P", "peta", 10, 15},
	{"T", "tera", 10, 12}, {"G", "giga", 10, 9}, {"M", "mega", 10, 6}, {"k", "kilo", 10, 3},
	{"h", "hecto", 10, 2}, {"da", "deka", 10, 1}, {"d", "deci", 10, -1}, {"c", "centi", 10, -2},
	{"m", "milli", 10, -3}, {"u", "micro", 10, -6}, {"n", "nano", 10, -9}, {"p", "pico", 10, -12},
	{"f", "femto", 10, -15}, {"a", "atto", 10, -18}, {"z", "zepto", 10, -21}, {"y", "yocto", 10, -24},
	{"Ki", "kibi", 2, 10}, {"Mi", "mebi", 2, 20}, {"Gi", "gibi", 2, 30}, {"Ti", "tebi", 2, 40},
}

// times is the prefix as a number.
func (p prefix) times() *big.Rat { return power(big.NewRat(p.base, 1), int(p.power)) }

// power raises x, which is not 0, to n.
func power(x *big.Rat, n int) *big.Rat {
	size := n
	if n < 0 {
		size = -n
	}
	e := big.NewInt(int64(size))
	num, denom := new(big.Int).Exp(x.Num(), e, nil), new(big.Int).Exp(x.Denom(), e, nil)
	if n < 0 {
		num, denom = denom, num
	}
	return new(big.Rat).SetFrac(num, denom)
}
