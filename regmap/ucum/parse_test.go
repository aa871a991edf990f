package ucum

import (
	"errors"
	"strings"
	"testing"
)

// accepted are codes and the base units that they come to. Source: the grammar
// of UCUM 2.2 (from memory) and the codes read in its essence.
var accepted = []struct{ code, dimension, factor string }{
	{"m", "m", "1"},
	{"1", "1", "1"},
	{"60", "1", "60"},
	{"m3/h", "m3.s-1", "1/3600"},
	{"m3.h-1", "m3.s-1", "1/3600"},
	{"m+3", "m3", "1"},
	{"L/min", "m3.s-1", "1/60000"},
	{"/min", "s-1", "1/60"},
	{"{rev}/min", "s-1", "1/60"},
	{"{rev}", "1", "1"},
	{"m3{normal}/h", "m3.s-1", "1/3600"},
	{"10*3", "1", "1000"},
	{"10^-3", "1", "1/1000"},
	{"10*", "1", "10"},
	{"10*3.m3", "m3", "1000"},
	{"10*6.[gal_us]/d", "m3.s-1", "473176473/10800000000"},
	{"10.m", "m", "10"},
	{"kW.h", "m2.s-2.g", "3600000000"},
	{"kW.h/m3", "m-1.s-2.g", "3600000000"},
	{"m3/(kW.h)", "m.s2.g-1", "1/3600000000"},
	{"W/m2/K", "s-3.g.K-1", "1000"},
	{"W/(m2.K)", "s-3.g.K-1", "1000"},
	{"W/m2.K", "s-3.g.K", "1000"},
	{"uS/cm", "m-3.s.g-1.C2", "1/10000000"},
	{"mm[Hg]", "m-1.s-2.g", "133322"},
	{"mbar", "m-1.s-2.g", "100000"},
	{"[in_i'H2O]", "m-1.s-2.g", "24908891/100"},
	{"dag", "g", "10"},
	{"cd", "cd", "1"},
	{"''", "rad", "1/648000"},
	{"(m)", "m", "1"},
	{"((m)/s)", "m.s-1", "1"},
	{"m0", "1", "1"},
	{"(m).(m).(m).(m).(m).(m).(m).(m).(m)", "m9", "1"}, // beside each other, not within
	{"mCel", "K", "1/1000"},
	{"Cel{water}", "K", "1"},
	{"[pH]", "1", "1"},
	{"MBq", "s-1", "1000000"},
	{"KiBy/s", "s-1", "8192"},
	{"m/s/s/s", "m.s-3", "1"},
	{"m/(s/s/s)", "m.s", "1"},
}

func TestParse(t *testing.T) {
	for _, v := range accepted {
		u, err := Parse(v.code)
		if err != nil {
			t.Error(err)
			continue
		}
		if u.Dimension().String() != v.dimension || u.times().Cmp(rat(t, v.factor)) != 0 || u.String() != v.code {
			t.Errorf("%s is %v %s, want %s %s", v.code, u.times(), u.Dimension(), v.factor, v.dimension)
		}
	}
}

// refused are texts that are no codes: where they break, and the message.
var refused = []struct {
	code    string
	column  int
	message string
}{
	{"", 1, "nothing is written; the unit of a plain number is 1"},
	{"xyzzy", 1, `"xyzzy" is no unit of the table`},
	{"m3/xyzzy", 4, `"xyzzy" is no unit of the table`},
	{"kmin", 1, `"kmin" is no unit of the table`}, // a minute takes no prefix
	{"k[gal_us]", 1, `"k[gal_us]" is no unit of the table`},
	{"kkm", 1, `"kkm" is no unit of the table`},
	{"[gal]", 1, `"[gal]" is no unit of the table`},
	{"m3//h", 4, "a unit is wanted here"},
	{"m3/", 4, "a unit is wanted here"},
	{".m", 1, "a unit is wanted here"},
	{"m.", 3, "a unit is wanted here"},
	{"//m", 2, "a unit is wanted here"},
	{"()", 2, "a unit is wanted here"},
	{"(/m)", 2, "a unit is wanted here"},
	{"m³/h", 2, `'³' has no place in a code`},
	{"m3 h-1", 3, `a dot, a slash or the end is wanted before ' '`},
	{"m2m", 3, `a dot, a slash or the end is wanted before 'm'`},
	{"2m", 2, `a dot, a slash or the end is wanted before 'm'`},
	{"m(s)", 2, `a dot, a slash or the end is wanted before '('`},
	{"{a}{b}", 4, `a dot, a slash or the end is wanted before '{'`},
	{"2{a}", 2, `a dot, a slash or the end is wanted before '{'`},
	{"m)", 2, "a closing parenthesis without an opening one"},
	{"m/(s", 3, "this parenthesis is not closed"},
	{"(m.s))", 6, "a closing parenthesis without an opening one"},
	{"((((((((m))))))))", 0, ""},
	{"(((((((((m)))))))))", 9, "at most 8 parentheses stand within each other"},
	{"m{dry", 2, "this brace is not closed"},
	{"m{dry air}", 6, `an annotation holds printable ASCII without blanks and braces, not ' '`},
	{"m{é}", 3, `an annotation holds printable ASCII without blanks and braces, not 'é'`},
	{"m{{a}}", 3, `an annotation holds printable ASCII without blanks and braces, not '{'`},
	{"m[H2O", 2, "this square bracket is not closed"},
	{"]", 1, `']' has no place in a code`},
	{"m}", 2, `a dot, a slash or the end is wanted before '}'`},
	{"+3", 1, `'+' has no place in a code`},
	{"\"", 1, `"\"" is no unit of the table`},
	{"m-", 3, `an exponent is wanted after "-"`},
	{"m+s", 3, `an exponent is wanted after "+"`},
	{"m100", 2, "an exponent is at most 99, not 100"},
	{"m99999999999999999999", 2, "an exponent is at most 99, not 99999999999999999999"},
	{"m99.m", 5, "the exponent of m grows beyond 99"},
	{"/m99/m", 6, "the exponent of m grows beyond 99"},
	{"L34", 2, "the exponent of m grows beyond 99"},
	{"L-34", 2, "the exponent of m grows beyond 99"},
	{"/[pi]99/[pi]", 9, "the exponent of pi grows beyond 99"},
	{"[pi]99.[pi]", 8, "the exponent of pi grows beyond 99"},
	{"0.m", 1, "a number here is 1 or more, not 0"},
	{"m/00", 3, "a number here is 1 or more, not 00"},
	{"K/Cel", 3, alone},
	{"Cel.s", 1, alone},
	{"/Cel", 2, alone},
	{"m/(Cel)", 3, alone},
	{"[degF]2", 1, alone},
	{"m3.[pH]", 4, alone},
	{strings.Repeat("m.", 128) + "m", 1, "a code has at most 256 bytes, this has 257"},
}

func TestParseRefuses(t *testing.T) {
	for _, v := range refused {
		u, err := Parse(v.code)
		if v.message == "" {
			if err != nil {
				t.Error(err)
			}
			continue
		}
		var where *Error
		if !errors.As(err, &where) {
			t.Errorf("%q is taken as %v", v.code, u)
			continue
		}
		if where.Column != v.column || where.Message != v.message {
			t.Errorf("%q: %d, %s; want %d, %s", v.code, where.Column, where.Message, v.column, v.message)
		}
		checkRefusal(t, v.code, u, err)
	}
}

// TestErrorText: the input, the place, what was found, the cure.
func TestErrorText(t *testing.T) {
	for code, want := range map[string]string{
		"m³/h": `units "m³/h", character 2: '³' has no place in a code; write m3/h`,
		"gpm":  `units "gpm", character 1: "gpm" is no unit of the table; write [gal_us]/min (of the US; the imperial gallon is [gal_br])`,
		"SF":   `units "SF", character 1: "SF" is no unit of the table`,
	} {
		if _, err := Parse(code); err == nil || err.Error() != want {
			t.Errorf("%q: %v, want %s", code, err, want)
		}
	}
}

// TestEveryProperPrefix: a code cut anywhere is either another code or an
// error with its place; never a panic.
func TestEveryProperPrefix(t *testing.T) {
	for _, v := range accepted {
		for n := range len(v.code) {
			if u, err := Parse(v.code[:n]); err != nil {
				checkRefusal(t, v.code[:n], u, err)
			}
		}
	}
}
