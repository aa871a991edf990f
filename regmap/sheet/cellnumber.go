package sheet

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
)

var (
	plainNumber  = regexp.MustCompile(`^[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?$`)
	powerPattern = regexp.MustCompile(`^(?:([+-]?[0-9.,]+)\s*[x*×·]\s*)?10\s*(?:\^|\*\*)\s*\(?([+-]?[0-9]{1,2})\)?$`)
)

// longestNumber is the longest number that is read from a cell, in characters.
const longestNumber = 40

// parseNumber reads a decimal number with a point or a comma: 0.1, 0,1,
// 1 000, 1.000,5, -20, 1e-3, 10^-2. A number such as 1,000 that can be read in
// two ways is refused.
func parseNumber(cell string) (*big.Rat, error) {
	s := strings.NewReplacer("−", "-", " ", "", "'", "", "\u202f", "").Replace(clean(cell))
	if len(s) > longestNumber {
		return nil, fmt.Errorf("%q is longer than any number that is meant", clip(cell))
	}
	if m := powerPattern.FindStringSubmatch(s); m != nil {
		first := "1"
		if m[1] != "" {
			first = m[1]
		}
		return parseNumber(first + "e" + m[2])
	}
	points, commas := strings.Count(s, "."), strings.Count(s, ",")
	switch {
	case commas == 1 && points == 0:
		whole, part, _ := strings.Cut(s, ",")
		if len(part) == 3 && strings.Trim(whole, "+-0") != "" && len(strings.Trim(whole, "+-")) <= 3 {
			return nil, fmt.Errorf("%q can be read as %s%s and as %s.%s", clip(cell), whole, part, whole, part)
		}
		s = strings.Replace(s, ",", ".", 1)
	case commas >= 1 && points <= 1 && strings.LastIndex(s, ",") < strings.LastIndex(s, "."), commas > 1 && points == 0:
		s = strings.ReplaceAll(s, ",", "")
	case points >= 1 && commas == 1:
		s = strings.Replace(strings.ReplaceAll(s, ".", ""), ",", ".", 1)
	}
	if !plainNumber.MatchString(s) {
		return nil, fmt.Errorf("%q is no number", clip(cell))
	}
	r, ok := new(big.Rat).SetString(strings.TrimPrefix(s, "+"))
	if !ok {
		return nil, fmt.Errorf("%q is no number", clip(cell))
	}
	return r, nil
}

// decimalText writes a number in the grammar of maps: exactly where it has an
// end, else with 12 places.
func decimalText(r *big.Rat) (text string, exact bool) {
	if r.IsInt() {
		return r.Num().String(), true
	}
	for places := 1; places <= longestNumber; places++ {
		s := r.FloatString(places)
		if back, _ := new(big.Rat).SetString(s); back.Cmp(r) == 0 {
			return s, true
		}
	}
	return r.FloatString(12), false
}

// scaleKind is how sure the words of a scale cell say times or divide.
type scaleKind uint8

const (
	scaleBare   scaleKind = iota // a number alone
	scaleTimes                   // x10, *0.1
	scaleDivide                  // /10, 1/10, 1:10
)

// parseScale reads a scale cell: 0.1, 0,1, x10, *0.1, /10, 1/10, 1:100, 10^-1.
// The number is the factor, the divisor for scaleDivide.
func parseScale(cell string) (*big.Rat, scaleKind, error) {
	s := strings.ToLower(clean(cell))
	for _, cut := range []string{"raw value", "value", "raw", "rohwert", "reading"} {
		s = strings.TrimSpace(strings.TrimPrefix(s, cut))
	}
	kind := scaleBare
	switch {
	case strings.HasPrefix(s, "x") || strings.HasPrefix(s, "*") || strings.HasPrefix(s, "×"):
		kind, s = scaleTimes, strings.TrimLeft(s, "x*× ")
	case strings.HasSuffix(s, "x") || strings.HasSuffix(s, "×"):
		kind, s = scaleTimes, strings.TrimRight(s, "x× ")
	case strings.HasPrefix(s, "/") || strings.HasPrefix(s, "÷") || strings.HasPrefix(s, ":"):
		kind, s = scaleDivide, strings.TrimLeft(s, "/÷: ")
	default:
		for _, mark := range []string{"/", ":", "÷"} {
			if one, by, ok := strings.Cut(s, mark); ok && strings.TrimSpace(one) == "1" {
				kind, s = scaleDivide, strings.TrimSpace(by)
				break
			}
		}
	}
	r, err := parseNumber(s)
	if err != nil {
		return nil, 0, fmt.Errorf("%q is no scale; 0.1, x10, /10 and 1/10 are read", clip(cell))
	}
	if r.Sign() == 0 {
		return nil, 0, fmt.Errorf("the scale %q makes every value the same", clip(cell))
	}
	return r, kind, nil
}

var rangePattern = regexp.MustCompile(`^\[?\(?\s*([+\-−]?[0-9][0-9.,]*)\s*(?:\.\.+|…|-|–|—|to|bis|~|;|/|,\s)\s*([+\-−]?[0-9][0-9.,]*)\s*\]?\)?\s*(.*)$`)

// parseRange reads 0..100, 0 - 100 %, -20…80 °C, 0 to 3.
func parseRange(cell string) (low, high *big.Rat, units string, ok bool) {
	m := rangePattern.FindStringSubmatch(clean(cell))
	if m == nil {
		return nil, nil, "", false
	}
	first := strings.TrimRight(m[1], ".,")
	low, errLow := parseNumber(first)
	high, errHigh := parseNumber(strings.TrimRight(m[2], ".,"))
	if errLow != nil || errHigh != nil || low.Cmp(high) >= 0 {
		return nil, nil, "", false
	}
	if _, known := unitsOf(m[3]); m[3] != "" && !known {
		return nil, nil, "", false
	}
	return low, high, m[3], true
}

var namedPattern = regexp.MustCompile(`^(?:bit|b)?\s*#?([0-9]{1,5})\s*(?:=|:|-|–|->|→|\))+\s*([^0-9\s].*)$`)

var bitStarts = regexp.MustCompile(`(?i)\bbit\s*#?[0-9]{1,2}\s*[=:]`)

// parseNamed reads names for numbers or bits: '0=off, 1=on', 'bit 0: run; bit
// 1: fault'. ok is false unless all of the text is that, two at least.
func parseNamed(cell string) (out []pair, ok bool) {
	s := strings.NewReplacer("\n", ";", "\r", ";").Replace(cell)
	split := func(marks string) []string {
		return strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(marks, r) })
	}
	for _, marks := range []string{";|", ";|,", ";|,/"} {
		if out, ok = namedParts(split(marks)); ok {
			return out, true
		}
	}
	for _, marks := range []string{";|", ";|,"} {
		if out, ok = countedParts(split(marks)); ok {
			return out, true
		}
	}
	if bitStarts.MatchString(s) { // "bit0=run bit1=fault"
		return namedParts(strings.Split(bitStarts.ReplaceAllString(s, ";$0"), ";"))
	}
	return nil, false
}

// countedParts reads names for numbers without a mark between: '0 off; 1 on'.
// The numbers must count up from 0 or 1, or they are something else.
func countedParts(parts []string) (out []pair, ok bool) {
	for _, p := range parts {
		number, name, _ := strings.Cut(clean(p), " ")
		if p = clean(p); p == "" {
			continue
		}
		n, err := strconv.Atoi(number)
		first := 0
		if len(out) > 0 {
			first, _ = strconv.Atoi(out[0].key)
		}
		if err != nil || name == "" || len(out) == 0 && n > 1 || len(out) > 0 && n != first+len(out) {
			return nil, false
		}
		out = append(out, pair{strconv.Itoa(n), name})
	}
	return out, len(out) >= 2
}

func namedParts(parts []string) (out []pair, ok bool) {
	number, name := map[string]bool{}, map[string]bool{}
	for _, p := range parts {
		p = clean(p)
		if p == "" {
			continue
		}
		m := namedPattern.FindStringSubmatch(strings.Replace(strings.Replace(p, "Bit", "bit", 1), "BIT", "bit", 1))
		if m == nil {
			return nil, false
		}
		digits := strings.TrimLeft(m[1], "0")
		if digits == "" {
			digits = "0"
		}
		if number[digits] || name[m[2]] {
			return nil, false
		}
		number[digits], name[m[2]] = true, true
		out = append(out, pair{digits, m[2]})
	}
	return out, len(out) >= 2
}
