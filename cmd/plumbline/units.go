package main

import (
	"math"
	"math/big"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/ucum"
)

// A display shows values in units of the person's choice. The zero display
// shows every value as its map has it.
type display struct {
	units []ucum.Unit
	codes []string
	known map[string]*ucum.Unit // of the maps, by text; nil where it is no code
}

// newDisplay reads a list of UCUM codes, parted by commas.
func newDisplay(list string) (*display, error) {
	d := &display{known: map[string]*ucum.Unit{}}
	if list == "" {
		return d, nil
	}
	for _, code := range strings.Split(list, ",") {
		u, err := ucum.Parse(strings.TrimSpace(code))
		if err != nil {
			return nil, notUnderstood("--units %q: %w", code, err)
		}
		d.units, d.codes = append(d.units, u), append(d.codes, strings.TrimSpace(code))
	}
	return d, nil
}

// shown is a value and its units as they are to be shown: in the first of the
// chosen units that measures the same quantity, else as the map says.
func (d *display) shown(p *regmap.Point, v regmap.Value) (text, units string) {
	text, units = p.Shown(v), p.Units
	if len(d.units) == 0 || units == "" {
		return text, units
	}
	r := v.Rat()
	from := d.unit(units)
	if from == nil || r == nil {
		return text, units
	}
	for i, to := range d.units {
		converted, err := ucum.Convert(r, *from, to)
		if err != nil {
			continue
		}
		as := *p
		as.Values, as.Decimals = nil, decimalsFor(text, r, converted)
		return as.Shown(regmap.ExactValue(converted)), d.codes[i]
	}
	return text, units
}

// unit is a map's units as a code; nil if they are none.
func (d *display) unit(text string) *ucum.Unit {
	u, seen := d.known[text]
	if !seen {
		if parsed, err := ucum.Parse(text); err == nil {
			u = &parsed
		}
		d.known[text] = u
	}
	return u
}

// decimalsFor keeps at least the digits the value had in its own units: fewer
// decimals where the number grew, more where it shrank.
func decimalsFor(text string, from, to *big.Rat) int {
	decimals := 0
	if at := strings.IndexByte(text, '.'); at >= 0 {
		decimals = len(text) - at - 1
	}
	a, _ := from.Float64()
	b, _ := to.Float64()
	if a == 0 || b == 0 {
		return decimals
	}
	return min(max(decimals-int(math.Floor(math.Log10(math.Abs(b/a)))), 0), 9)
}
