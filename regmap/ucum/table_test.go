package ucum

import (
	"math/big"
	"strings"
	"testing"
)

// essenceCodes are the codes read in the essence file of UCUM 2.2, and the
// compounds made of them.
var essenceCodes = strings.Fields(`m s h min d L l bar Pa kPa Cel [degF] % [ppm] [pH] A mA V W kW Hz Ohm S t
	m[H2O] m[Hg] [in_i'H2O] [psi] [in_i] [ft_i] [gal_us] [gal_br]
	m3/h L/s L/min [gal_us]/min kW.h uS/cm {rev}/min`)

func TestEssenceCodes(t *testing.T) {
	for _, code := range essenceCodes {
		u := mustParse(t, code)
		if doubt := u.Doubt(); doubt != "" {
			t.Error(doubt)
		}
	}
}

// TestTable: every row has its parts, and what stands first are the seven base
// units.
func TestTable(t *testing.T) {
	all := Atoms()
	if len(all) < 140 {
		t.Fatalf("the table has %d rows", len(all))
	}
	seen := map[string]bool{}
	for i, a := range all {
		if seen[a.Code] {
			t.Errorf("%s stands twice", a.Code)
		}
		seen[a.Code] = true
		if a.Name == "" || a.Source == "" || a.Value == "" || (a.Of == "") != (i < 7) {
			t.Errorf("%s: %+v", a.Code, a)
		}
		u := mustParse(t, a.Code)
		if i < 7 && u.dimension.String() != a.Code {
			t.Errorf("base unit %s has the dimension %s", a.Code, u.dimension)
		}
		if a.Of == "" {
			continue
		}
		// the row says the same as the code: Value times Of
		of := mustParse(t, a.Of)
		want := new(big.Rat).Mul(of.times(), rat(t, a.Value))
		if u.turns > of.turns {
			want.Quo(want, pi())
		}
		if u.times().Cmp(want) != 0 || u.dimension != of.dimension {
			t.Errorf("%s is not %s %s", a.Code, a.Value, a.Of)
		}
	}
	for code := range offsets {
		if !seen[code] {
			t.Errorf("the offset of %s is of no unit", code)
		}
	}
	for code := range ownScales {
		if !seen[code] || mustParse(t, code).Quantity() != ownScales[code] {
			t.Errorf("the scale %s is of no unit", code)
		}
	}
}

// TestCanNotBeRead: a row of the table that names an unknown unit is found.
func TestCanNotBeRead(t *testing.T) {
	defer func() {
		if text, _ := recover().(string); !strings.Contains(text, "the row of x cannot be read") {
			t.Errorf("recovered %q", text)
		}
	}()
	symbols{}.define(Atom{Code: "x", Value: "1", Of: "nothing"})
}

// TestNoSymbolTwice: no prefix with a unit spells another unit, alone or with
// its prefix, so that a symbol has one reading in whatever order it is looked
// up. The exception is in UCUM itself: cd is the candela; a day takes no
// prefix.
func TestNoSymbolTwice(t *testing.T) {
	made := map[string]string{}
	for _, a := range Atoms() {
		made[a.Code] = a.Code
	}
	for _, a := range Atoms() {
		if !a.Metric {
			continue
		}
		for _, p := range prefixes {
			symbol := p.code + a.Code
			if other, ok := made[symbol]; ok {
				t.Errorf("%s is %s with a prefix, and %s", symbol, a.Code, other)
			}
			made[symbol] = symbol
		}
	}
	if len(made) < 1500 {
		t.Errorf("only %d symbols were compared", len(made))
	}
}

// TestPrefixes: powers of ten in thousands, and the binary ones. Source: SI
// Brochure 2019, table 7; IEC 80000-13, clause 4 (from memory).
func TestPrefixes(t *testing.T) {
	for code, want := range map[string]string{
		"YHz": "1e24", "ZHz": "1e21", "EHz": "1e18", "PHz": "1e15", "THz": "1e12", "GHz": "1e9", "MHz": "1e6", "kHz": "1e3", "hHz": "100", "daHz": "10",
		"dHz": "0.1", "cHz": "0.01", "mHz": "1e-3", "uHz": "1e-6", "nHz": "1e-9", "pHz": "1e-12", "fHz": "1e-15", "aHz": "1e-18", "zHz": "1e-21", "yHz": "1e-24",
		"Kibit": "1024", "Mibit": "1048576", "Gibit": "1073741824", "Tibit": "1099511627776",
	} {
		if u := mustParse(t, code); u.times().Cmp(rat(t, want)) != 0 {
			t.Errorf("%s has the factor %v, want %s", code, u.times(), want)
		}
	}
}

// quantityVectors: a code measures what it is called. Every name of the list
// is met. Source: ISO 80000 for the names, the defining equations for the rest
// (from memory).
var quantityVectors = map[string]string{
	"%": "plain number", "{rev}": "plain number", "m": "length", "mm": "length", "m2": "area", "har": "area", "L": "volume", "[gal_us]": "volume",
	"/m": "number per length", "/m2": "number per area", "{cell}/mL": "number per volume", "h": "time", "Hz": "frequency", "{rev}/min": "frequency",
	"m/s": "speed", "[g]": "acceleration", "mm2/s": "area per time", "St": "area per time", "m3/h": "volume flow", "[gal_us]/min": "volume flow",
	"kg": "mass", "t": "mass", "t/h": "mass flow", "kg/m": "mass per length", "g/m2": "mass per area", "mg/L": "density", "m3/kg": "specific volume",
	"deg": "angle", "deg/s": "angular speed", "rad/s2": "angular acceleration", "sr": "solid angle", "kN": "force", "N/m": "force per length",
	"bar": "pressure", "m[H2O]": "pressure", "[psi]": "pressure", "kPa/m": "pressure per length", "Pa/s": "pressure per time", "mPa.s": "viscosity", "kW.h": "energy", "N.m": "energy",
	"kW": "power", "V.A": "power", "[HP]": "power", "W/s": "power per time", "W/m2": "power per area", "kJ/kg": "energy per mass",
	"Cel": "temperature", "[degF]": "temperature", "K/min": "temperature per time", "kJ/K": "heat capacity", "kJ/(kg.K)": "specific heat capacity",
	"W/(m2.K)": "heat transfer coefficient", "W/(m.K)": "thermal conductivity", "A.h": "electric charge", "mA": "electric current", "A/s": "electric current per time",
	"mV": "voltage", "V/s": "voltage per time", "V/m": "electric field strength", "kOhm": "electric resistance", "Ohm.m": "resistivity", "mS": "electric conductance",
	"uS/cm": "electric conductivity", "uF": "capacitance", "mH": "inductance", "Wb": "magnetic flux", "T": "magnetic flux density", "cd": "luminous intensity",
	"lm": "luminous flux", "lx": "illuminance", "cd/m2": "luminance", "/(L.h)": "number per volume and time",
	"[pH]": "acidity", "dB": "level", "B[SPL]": "sound pressure level", "m5": "m5", "kg.m": "m.g",
}

func TestQuantities(t *testing.T) {
	met := map[string]bool{}
	for code, want := range quantityVectors {
		got := mustParse(t, code).Quantity()
		if got != want {
			t.Errorf("%s is %q, want %q", code, got, want)
		}
		met[got] = true
	}
	names := map[string]bool{}
	for d, name := range quantities {
		if !met[name] {
			t.Errorf("no code for %s", name)
		}
		if names[name] {
			t.Errorf("%s names two dimensions", name)
		}
		names[name] = true
		if u := mustParse(t, d.String()); u.dimension != d {
			t.Errorf("%s reads back as %s", d, u.dimension)
		}
	}
}
