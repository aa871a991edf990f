package ucum

import (
	"errors"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func rat(t testing.TB, text string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is no number", text)
	}
	return r
}

func mustParse(t testing.TB, code string) Unit {
	t.Helper()
	u, err := Parse(code)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// definitions are exact by the document named beside them.
var definitions = []struct {
	src               string
	value, from, want string
	to                string
}{
	{"UCUM 2.2 essence: gallon of 231 cubic inches", "1", "[gal_us]", "231", "[in_i]3"},
	{"UCUM 2.2 essence", "1", "[gal_br]", "4.54609", "L"},
	{"UCUM 2.2 essence", "1", "bar", "100000", "Pa"},
	{"UCUM 2.2 essence", "1", "t", "1000", "kg"},
	{"UCUM 2.2 essence", "1", "m[H2O]", "9.80665", "kPa"},
	{"UCUM 2.2 essence: inch of water", "1", "[in_i'H2O]", "249.08891", "Pa"},
	{"UCUM 2.2 essence", "1", "l", "1", "dm3"},
	{"UCUM 2.2 essence", "1", "%", "10000", "[ppm]"},
	{"yard and pound agreement 1959 (from memory)", "1", "[ft_i]", "0.3048", "m"},
	{"yard and pound agreement 1959 (from memory)", "1", "[lb_av]", "0.45359237", "kg"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[gal_us]", "3.785411784", "L"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[mi_i]/h", "0.44704", "m/s"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "kgf/cm2", "98066.5", "Pa"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[Btu_IT]", "1055.05585262", "J"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "cal_IT", "4.1868", "J"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[oz_av]", "28.349523125", "g"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[gr]", "64.79891", "mg"},
	{"NIST SP 811, B.8, exact rows (from memory)", "1", "[lbf_av]", "4.4482216152605", "N"},
	{"SI Brochure 2019, table 8 (from memory)", "1", "h", "3600", "s"},
	{"SI Brochure 2019, table 8 (from memory)", "1", "har", "10000", "m2"},
	{"SI Brochure 2019, table 8 (from memory)", "1", "deg", "60", "'"},
	{"SI Brochure 2019, table 8 (from memory)", "1", "deg", "3600", "''"},
	{"SI Brochure 2019, 2.3.1: Celsius (from memory)", "0", "Cel", "273.15", "K"},
	{"SI Brochure 2019, table 4: kW h (from memory)", "1", "kW.h", "3600000", "J"},
	{"IEC 80000-13, clause 4 (from memory)", "1", "KiBy", "8192", "bit"},
	{"US survey foot (from memory)", "3937", "[ft_us]", "1200", "m"},
	{"freezing and boiling water", "32", "[degF]", "0", "Cel"},
	{"freezing and boiling water", "100", "Cel", "212", "[degF]"},
	{"the scales cross", "-40", "Cel", "-40", "[degF]"},
	{"absolute zero", "0", "K", "-459.67", "[degF]"},
	{"absolute zero", "0", "[degR]", "-273.15", "Cel"},
	{"pump station: 5 L/s", "5", "L/s", "18", "m3/h"},
	{"the same code", "-1.5", "Cel", "-1.5", "Cel"},
	{"a prefix before a scale of its own", "35", "dB", "3.5", "B"},
	{"a prefix before Celsius", "21500", "mCel", "21.5", "Cel"},
	{"the zero of a turn", "1/4", "circ", "100", "gon"},
}

func TestDefinitions(t *testing.T) {
	for _, v := range definitions {
		from, to := mustParse(t, v.from), mustParse(t, v.to)
		got, err := Convert(rat(t, v.value), from, to)
		if err != nil || got.Cmp(rat(t, v.want)) != 0 {
			t.Errorf("%s: %s %s = %v %s, %v; want %s", v.src, v.value, v.from, got, v.to, err, v.want)
		}
		back, err := Convert(rat(t, v.want), to, from)
		if err != nil || back.Cmp(rat(t, v.value)) != 0 {
			t.Errorf("%s: %s %s = %v %s, %v; want %s", v.src, v.want, v.to, back, v.from, err, v.value)
		}
	}
}

// rounded are factors as tables print them. NIST SP 811 (2008), appendix B.8,
// seven digits, from memory; the first four are the ratios by which a mix-up of
// units is known, common practice.
var rounded = []struct{ from, to, want string }{
	{"bar", "[psi]", "14.50"},
	{"L/s", "m3/h", "3.6"},
	{"L", "[gal_us]", "0.2642"},
	{"K", "[degR]", "1.8"},
	{"[psi]", "kPa", "6.894757"},
	{"[gal_us]/min", "m3/s", "0.00006309020"},
	{"[cft_i]/min", "m3/s", "0.0004719474"},
	{"[kn_i]", "m/s", "0.5144444"},
	{"[HP]", "W", "745.6999"},
	{"[lb_av]/[ft_i]3", "kg/m3", "16.01846"},
	{"[lbf_av].[ft_i]", "J", "1.355818"},
	{"[Btu_IT]/h", "W", "0.2930711"},
	{"[Btu_th]", "J", "1054.350"},
	{"[acr_us]", "m2", "4046.873"},
	{"[bbl_us]", "m3", "0.1589873"},
	{"[foz_us]", "mL", "29.57353"},
	{"[foz_br]", "mL", "28.41306"},
	{"[ston_av]", "kg", "907.1847"},
	{"[lton_av]", "kg", "1016.047"},
	{"deg", "rad", "0.01745329"},
	{"[cml_i]", "mm2", "0.0005067075"},
	{"atm", "[psi]", "14.69595"},
	{"mm[Hg]", "Pa", "133.322"},
	{"Torr", "Pa", "133.322"},
	{"P", "Pa.s", "0.1"},
	{"St", "m2/s", "0.0001"},
	{"G", "T", "0.0001"},
	{"Mx", "Wb", "0.00000001"},
	{"erg", "J", "0.0000001"},
	{"[den]", "tex", "0.1111111"},
	{"a", "d", "365.25"},
	{"mo", "d", "30.4375"},
	{"wk", "h", "168"},
	{"circ", "deg", "360"},
	{"sph", "sr", "12.56637"},
	{"Gal", "m/s2", "0.01"},
	{"[mil_i]", "um", "25.4"},
	{"[nmi_i]", "km", "1.852"},
	{"Ao", "nm", "0.1"},
	{"mho", "S", "1"},
	{"lx", "lm/m2", "1"},
	{"lm", "cd.sr", "1"},
	{"V.A", "W", "1"},
	{"Ohm.S", "1", "1"},
	{"F.V", "C", "1"},
	{"H.A", "Wb", "1"},
	{"J/kg", "Gy", "1"},
	{"mol/s", "kat", "1"},
	{"uS/cm", "mS/m", "0.1"},
	{"bit/s", "Bd", "1"},
}

func TestRoundedFactors(t *testing.T) {
	for _, v := range rounded {
		got, err := ConvertDifference(big.NewRat(1, 1), mustParse(t, v.from), mustParse(t, v.to))
		if err != nil {
			t.Error(err)
			continue
		}
		_, digits, _ := strings.Cut(v.want, ".")
		if text := got.FloatString(len(digits)); text != v.want {
			t.Errorf("1 %s = %s %s, want %s", v.from, text, v.to, v.want)
		}
	}
}

// TestFahrenheit: r = 1.8 t + 32, at every whole degree of a plant.
func TestFahrenheit(t *testing.T) {
	cel, fahrenheit := mustParse(t, "Cel"), mustParse(t, "[degF]")
	for c := int64(-273); c <= 1000; c++ {
		got, err := Convert(big.NewRat(c, 1), cel, fahrenheit)
		if err != nil || got.Cmp(big.NewRat(18*c+320, 10)) != 0 {
			t.Fatalf("%d Cel = %v, %v", c, got, err)
		}
	}
}

// TestDifference: a deadband in degrees Celsius has no zero.
func TestDifference(t *testing.T) {
	cel, fahrenheit := mustParse(t, "Cel"), mustParse(t, "[degF]")
	got, err := ConvertDifference(big.NewRat(5, 1), cel, fahrenheit)
	if err != nil || got.Cmp(big.NewRat(9, 1)) != 0 {
		t.Errorf("a difference of 5 Cel = %v, %v; want 9", got, err)
	}
	if got, err := ConvertDifference(big.NewRat(5, 1), cel, mustParse(t, "m")); got != nil || !errors.Is(err, ErrDimension) {
		t.Errorf("a difference of 5 Cel in m = %v, %v", got, err)
	}
}

func TestConvertRefuses(t *testing.T) {
	for _, v := range []struct{ from, to, words string }{
		{"m", "s", `"m" is length and "s" is time: not the same quantity`},
		{"m3/h", "kg/h", `"m3/h" is volume flow and "kg/h" is mass flow: not the same quantity`},
		{"[pH]", "1", `"[pH]" is acidity and "1" is plain number: not the same quantity`},
		{"dB", "[pH]", `"dB" is level and "[pH]" is acidity: not the same quantity`},
		{"B[W]", "B[kW]", `"B[W]" is power level and "B[kW]" is power level: not the same quantity`},
		{"m4/s", "K", `"m4/s" is m4.s-1 and "K" is temperature: not the same quantity`},
	} {
		got, err := Convert(big.NewRat(1, 1), mustParse(t, v.from), mustParse(t, v.to))
		if got != nil || !errors.Is(err, ErrDimension) || err.Error() != v.words {
			t.Errorf("%s to %s = %v, %v; want %s", v.from, v.to, got, err, v.words)
		}
	}
}

// TestZeroUnit: it is the unit of a plain number.
func TestZeroUnit(t *testing.T) {
	var zero Unit
	if zero.String() != "1" || zero.Quantity() != "plain number" || !zero.Exact() || zero.Doubt() != "" {
		t.Errorf("the zero Unit is %s, %s", zero, zero.Quantity())
	}
	got, err := Convert(big.NewRat(1, 2), zero, mustParse(t, "%"))
	if err != nil || got.Cmp(big.NewRat(50, 1)) != 0 {
		t.Errorf("a half = %v %%, %v", got, err)
	}
}

func TestExact(t *testing.T) {
	for code, want := range map[string]bool{"deg": false, "rad": true, "[pi]": false, "deg/circ": true, "m3/h": true, "[degF]": true} {
		if got := mustParse(t, code).Exact(); got != want {
			t.Errorf("%s: exact %v, want %v", code, got, want)
		}
	}
}

// TestConvertKeepsItsArguments: the value, and units shared through the table,
// stay as they were.
func TestConvertKeepsItsArguments(t *testing.T) {
	value, cel, fahrenheit := big.NewRat(25, 2), mustParse(t, "Cel"), mustParse(t, "[degF]")
	for range 3 {
		got, err := Convert(value, cel, fahrenheit)
		if err != nil || got.RatString() != "109/2" || value.RatString() != "25/2" {
			t.Fatalf("12.5 Cel = %v, %v; the value is now %v", got, err, value)
		}
	}
}

// drawUnit gives a code of one atom, with or without a prefix.
func drawUnit(t *rapid.T, label string) string {
	a := rapid.SampledFrom(Atoms()).Draw(t, label)
	if a.Metric && rapid.Bool().Draw(t, label+" has a prefix") {
		return rapid.SampledFrom(prefixes).Draw(t, label+" prefix").code + a.Code
	}
	return a.Code
}

func drawRat(t *rapid.T) *big.Rat {
	return big.NewRat(rapid.Int64().Draw(t, "numerator"), rapid.Int64Range(1, 1<<62).Draw(t, "denominator"))
}

// TestRoundTrip: there and back is the same number, and a way over a third unit
// leads to the same place.
func TestRoundTrip(t *testing.T) {
	groups := map[string][]string{}
	for _, a := range Atoms() {
		u := mustParse(t, a.Code)
		key := u.dimension.String() + u.scale
		groups[key] = append(groups[key], a.Code)
	}
	rapid.Check(t, func(rt *rapid.T) {
		first := drawUnit(rt, "from")
		from := mustParse(t, first)
		group := groups[from.dimension.String()+from.scale]
		to := mustParse(t, rapid.SampledFrom(group).Draw(rt, "to"))
		over := mustParse(t, rapid.SampledFrom(group).Draw(rt, "over"))
		value := drawRat(rt)
		there, err := Convert(value, from, to)
		if err != nil {
			rt.Fatal(err)
		}
		if back, err := Convert(there, to, from); err != nil || back.Cmp(value) != 0 {
			rt.Fatalf("%v %s = %v %s = %v, %v", value, from, there, to, back, err)
		}
		middle, err := Convert(value, from, over)
		if err != nil {
			rt.Fatal(err)
		}
		if end, err := Convert(middle, over, to); err != nil || end.Cmp(there) != 0 {
			rt.Fatalf("%v %s = %v %s, over %s %v", value, from, there, to, over, end)
		}
	})
}

// TestProducts: the factor of a product is the product of factors, in order
// from the left; a quotient times its divisor is the dividend.
func TestProducts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a, b := drawUnit(rt, "a"), drawUnit(rt, "b")
		ua, ub := mustParse(t, a), mustParse(t, b)
		code := a + "/" + b + "." + b
		u, err := Parse(code)
		if !ua.plain() || !ub.plain() {
			var where *Error
			if !errors.As(err, &where) || !strings.Contains(where.Message, "stands alone") {
				rt.Fatalf("%s: %v, want a refusal", code, err)
			}
			return
		}
		if err != nil || u.dimension != ua.dimension || u.turns != ua.turns || u.times().Cmp(ua.times()) != 0 {
			rt.Fatalf("%s is not %s: %v, %v", code, a, u.dimension, err)
		}
		square, twice := mustParse(t, "("+a+"."+a+")"), a+"2"
		if strings.HasPrefix(a, "10") {
			return // 10*2 is ten to the power of two as well, but the exponent belongs to it
		}
		if got := mustParse(t, twice); got.dimension != square.dimension || got.times().Cmp(square.times()) != 0 || got.turns != square.turns {
			rt.Fatalf("%s is not %s", twice, square)
		}
	})
}

func FuzzUnit(f *testing.F) {
	for _, v := range definitions {
		f.Add(v.from)
	}
	for _, v := range refused {
		f.Add(v.code)
	}
	for _, v := range freeTexts {
		f.Add(v.text)
	}
	f.Add("((m/s)2")
	f.Add("[pi]99.[pi]-99")
	f.Fuzz(func(t *testing.T, code string) {
		u, err := Parse(code)
		if err != nil {
			checkRefusal(t, code, u, err)
			return
		}
		again := mustParse(t, u.String())
		base := mustParse(t, u.dimension.String())
		if u.String() != code || again.dimension != u.dimension || again.times().Cmp(u.times()) != 0 || u.times().Sign() <= 0 {
			t.Fatalf("%q reads as %v, then as %v", code, u, again)
		}
		if u.scale == "" {
			x, err := Convert(big.NewRat(7, 3), u, base)
			if err != nil {
				t.Fatal(err)
			}
			if back, err := Convert(x, base, u); err != nil || back.Cmp(big.NewRat(7, 3)) != 0 {
				t.Fatalf("7/3 %s = %v %s = %v, %v", code, x, base, back, err)
			}
		}
		if s, ok := Suggest(code); !ok || u.Doubt() == "" && s.Code != code || u.Doubt() != "" && s.Code == code {
			t.Fatalf("%q is a code, doubt %q, and the suggestion is %q, %v", code, u.Doubt(), s.Code, ok)
		}
	})
}

// checkRefusal: an error leaves nothing half-made, has its place within the
// text, and what it proposes is a code.
func checkRefusal(t *testing.T, code string, u Unit, err error) {
	t.Helper()
	var where *Error
	if !errors.As(err, &where) || where.Code != code || where.Message == "" {
		t.Fatalf("%q: %v", code, err)
	}
	if n := len([]rune(code)); where.Column < 1 || where.Column > n+1 {
		t.Fatalf("%q: %v is outside", code, err)
	}
	if u.code != "" || u.factor != nil || u.dimension != (Dimension{}) {
		t.Fatalf("%q: refused, but gives %v", code, u)
	}
	s, ok := Suggest(code)
	if ok != (where.Hint != "") {
		t.Fatalf("%q: hint %q, suggestion %v", code, where.Hint, s)
	}
	if ok {
		mustParse(t, s.Code)
	}
}
