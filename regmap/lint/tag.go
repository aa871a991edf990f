package lint

import (
	"regexp"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/ucum"
)

// tag is the letters of an instrument's tag.
type tag struct {
	first byte // what is measured
	total bool // totalised: Q behind the first letter
	rest  string
}

// Letters of a tag, in front of its number: LT-101, 10-FQ-3, LSH 7. What
// follows the first letter may be a modifier, functions, and high, low, open or
// closed. Source: ANSI/ISA-5.1-2009, table 4.1.
var (
	tagLetters = regexp.MustCompile(`(?:^|[^A-Za-z])([A-Z]{2,5})[-_ ]?[0-9]`)
	tagRest    = regexp.MustCompile(`^[DFQ]?[ACEIQRST]*(HH?|LL?|O)?$`)
	bitRest    = regexp.MustCompile(`^[DFQ]?[AS](HH?|LL?|O|C)?$`)
	valueRest  = regexp.MustCompile(`^[DFQ]?[IR]*T$`)
)

// readTag finds the letters; ok is false for a text that is no such tag.
func readTag(s string) (t tag, ok bool) {
	found := tagLetters.FindStringSubmatch(s)
	if found == nil || !tagRest.MatchString(found[1][1:]) {
		return tag{}, false
	}
	return tag{first: found[1][0], rest: found[1][1:], total: found[1][1] == 'Q'}, true
}

// letter is what a first letter stands for, and the quantities that its units
// may have. A plain number, such as %, is always allowed.
type letter struct {
	name       string
	quantities []string
	total      []string // of the totalised quantity
}

// letters are the first letters whose quantity the standard fixes. A
// (analysis), H, Q and Y may have any units, and the others are the user's
// choice. Source: ANSI/ISA-5.1-2009, table 4.1; a level in volume or mass is
// common practice.
var letters = map[byte]letter{
	'E': {"a voltage", []string{"voltage"}, nil},
	'F': {"a flow", []string{"volume flow", "mass flow"}, []string{"volume", "mass"}},
	'I': {"a current", []string{"electric current"}, []string{"electric charge"}},
	'J': {"a power", []string{"power"}, []string{"energy"}},
	'K': {"a time", []string{"time"}, []string{"time"}},
	'L': {"a level", []string{"length", "volume", "mass"}, nil},
	'P': {"a pressure", []string{"pressure"}, nil},
	'S': {"a speed", []string{"speed", "frequency", "angular speed"}, nil},
	'T': {"a temperature", []string{"temperature"}, nil},
	'V': {"a vibration", []string{"length", "speed", "acceleration", "frequency"}, nil},
	'W': {"a weight", []string{"mass", "force"}, nil},
	'Z': {"a position", []string{"length", "angle"}, nil},
}

// measures says whether the tag is of an instrument with a known quantity that
// gives a value.
func (t tag) measures() bool {
	_, known := letters[t.first]
	return known && valueRest.MatchString(t.rest)
}

// tag compares a tag's letters with units and type.
func (l *linter) tag(p *regmap.Point) {
	t, ok := readTag(p.Tag)
	if !ok {
		return
	}
	bit := p.Type == regmap.TypeBool
	switch {
	case bitRest.MatchString(t.rest) && !bit && p.Type != regmap.TypeBits && p.Type != regmap.TypeString:
		l.warn(TagType, p, []string{"tag"}, "", "%s is a switch or an alarm (ISA-5.1), which is a bit; this is %s", p.Tag, p.Type)
	case valueRest.MatchString(t.rest) && bit:
		l.warn(TagType, p, []string{"tag"}, "", "%s is a transmitter (ISA-5.1), which gives a value; this is a bit", p.Tag)
	}
	row, known := letters[t.first]
	u, err := ucum.Parse(p.Units)
	if !known || p.Units == "" || err != nil || u.Doubt() != "" {
		return
	}
	name, allowed := row.name, row.quantities
	if t.total {
		name, allowed = "the total of "+row.name, row.total
	}
	quantity := u.Quantity()
	if allowed == nil || quantity == "plain number" || slices.Contains(allowed, quantity) || strings.HasPrefix(t.rest, "F") {
		return
	}
	l.warn(TagUnits, p, []string{"units"}, "", "%s is %s (ISA-5.1), %s is a unit of %s", p.Tag, name, p.Units, quantity)
}
