package sheet

import (
	"regexp"
	"strings"

	"plumbline/regmap/ucum"
)

// noUnits are the ways to say that a number has no units.
var noUnits = map[string]bool{"": true, "-": true, "--": true, "–": true, "n/a": true, "na": true, "none": true, "no unit": true, "1": true, "bool": true}

// unitsOf is the UCUM code for a spelling of units; ok is false where none is
// known. A text that says 'no units' is "" and ok.
func unitsOf(s string) (code string, ok bool) {
	s = strings.Trim(strings.TrimSpace(s), "[]")
	if noUnits[strings.ToLower(s)] {
		return "", true
	}
	got, ok := ucum.Suggest(s)
	return got.Code, ok
}

// setUnits gives an item its units: the UCUM code, or the source's own words
// kept in about where there is no code.
func (it *item) setUnits(s string) {
	s = clean(s)
	code, ok := unitsOf(s)
	switch {
	case !ok:
		it.about = strings.TrimSpace(it.about + " [" + s + "]")
		it.comments = append(it.comments, "units as given, no UCUM code is known: "+s)
	case code != "":
		if it.units = code; code != s {
			it.comments = append(it.comments, "units as given: "+s)
			if got, _ := ucum.Suggest(s); got.Note != "" {
				it.assume("units %s: %s", code, got.Note)
			}
		}
	}
}

// factorUnits is a factor before units: "0.1 degC", "x0.01 bar".
var factorUnits = regexp.MustCompile(`^(?:x|X|\*|×)?\s*(1/10{1,6}|[0-9]+(?:[.,][0-9]+)?)\s*(?:x|\*|×)?\s+([^0-9\s].*)$`)

// factored takes a factor off the units where the row has no scale of its own.
func (l *listing) factored(e *entry, it *item, s string) string {
	m := factorUnits.FindStringSubmatch(clean(s))
	if m == nil || it.scale != "" {
		return s
	}
	factor, kind, err := parseScale(m[1])
	if _, known := unitsOf(m[2]); err != nil || !known {
		return s
	}
	if kind == scaleDivide {
		factor.Inv(factor)
	}
	if factor.IsInt() && factor.Num().Int64() == 1 || strings.HasPrefix(it.typ, "float") {
		return m[2]
	}
	it.scale, it.unitFactor = "{times: "+text(factor)+"}", true
	it.assume("the units %q are a factor and units: value = raw x %s", clip(s), text(factor))
	return m[2]
}

// unitsInBrackets finds units at the end of a description: "Level [m]".
func unitsInBrackets(s string) (rest, units string, ok bool) {
	s = strings.TrimSpace(s)
	for _, b := range []string{"[]", "()"} {
		at := strings.LastIndexByte(s, b[0])
		if at <= 0 || s[len(s)-1] != b[1] {
			continue
		}
		inside := s[at+1 : len(s)-1]
		if code, known := unitsOf(inside); known && code != "" {
			return strings.TrimSpace(s[:at]), inside, true
		}
	}
	return s, "", false
}
