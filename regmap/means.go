package regmap

import (
	"fmt"
	"math/big"
	"regexp"
)

// Numbers as people write them. A leading zero is refused: some read 010 as 8.
var (
	decimalNumber = regexp.MustCompile(`^[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,3})?$`)
	hexNumber     = regexp.MustCompile(`^0[xX][0-9A-Fa-f]{1,16}$`)
)

// Means is the value that a text means for the point: the name of a named value,
// on, off, true, false, a number in engineering units, or for a string the text
// itself. The error says what was found and what is allowed.
func (p *Point) Means(text string) (Value, error) {
	none := Value{}
	if p.Type == TypeString {
		return TextValue(text), nil
	}
	for _, n := range p.Values {
		if n.Name == text {
			if p.Type == TypeBool {
				return BoolValue(n.Value.Sign() != 0), nil
			}
			return ExactValue(n.Value), nil
		}
	}
	if p.Type == TypeBool {
		switch text {
		case "on", "true", "1":
			return BoolValue(true), nil
		case "off", "false", "0":
			return BoolValue(false), nil
		}
		return none, fmt.Errorf("%q is not a value of %s: %s", text, p.Name, p.allowed("on or off"))
	}
	switch {
	case hexNumber.MatchString(text):
		n, _ := new(big.Int).SetString(text[2:], 16)
		return ExactValue(new(big.Rat).SetInt(n)), nil
	case decimalNumber.MatchString(text):
		r, ok := new(big.Rat).SetString(text)
		if v := ExactValue(r); ok && v.Quality() == Good {
			return v, nil
		}
	}
	return none, fmt.Errorf("%q is not a value of %s: %s", text, p.Name, p.allowed("a number such as 12.5, without units"))
}

// allowed is what a point takes, with its named values.
func (p *Point) allowed(kind string) string {
	for i, n := range p.Values {
		switch {
		case i == 0:
			kind += ", or " + n.Name
		default:
			kind += ", " + n.Name
		}
	}
	return kind
}
