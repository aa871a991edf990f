package ucum

import (
	"strings"
	"testing"
)

// freeTexts are spellings and the code that is meant; "" where none is known.
// S: units as they stand in the SunSpec information models (json/model_*.json);
// all others are common practice of register lists.
var freeTexts = []struct{ src, text, code string }{
	{"S", "Secs", "s"}, {"S", "Sec", "s"}, {"S", "V", "V"}, {"S", "% VRef", "%{VRef}"}, {"S", "Hz", "Hz"}, {"S", "varh", "V.A{reactive}.h"},
	{"S", "A", "A"}, {"S", "W", "W"}, {"S", "Wh", "W.h"}, {"S", "C", "Cel"}, {"S", "VAh", "V.A.h"}, {"S", "VA", "V.A"}, {"S", "Pct", "%"},
	{"S", "var", "V.A{reactive}"}, {"S", "Var", "V.A{reactive}"}, {"S", "% WRef", "%{WRef}"}, {"S", "Degrees", "deg"}, {"S", "W/m2", "W/m2"}, {"S", "PF", "1"},
	{"S", "%", "%"}, {"S", "%WHRtg", "%{WHRtg}"}, {"S", "% WMax/min", "%{WMax}/min"}, {"S", "cos()", "1"}, {"S", "Ah", "A.h"},
	{"S", "VNomPct", ""}, {"S", "SF", ""}, {"S", "kWh", "kW.h"}, {"S", "bps", "bit/s"}, {"S", "Mbps", "Mbit/s"}, {"S", "%Max/Sec", "%{Max}/s"},
	{"S", "% WMax", "%{WMax}"}, {"S", "m/s", "m/s"}, {"S", "kAH", "kA.h"}, {"S", "hhmmss", ""}, {"S", "YYYYMMDD", ""}, {"S", "WMaxPct", ""},
	{"S", "W/s", "W/s"}, {"S", "W/m^2", "W/m2"}, {"S", "VarPct", ""}, {"S", "V/s", "V/s"}, {"S", "S", "S"}, {"S", "DeptRef", ""},
	{"S", "AH", "A.h"}, {"S", "A/s", "A/s"}, {"S", "% WMax/sec", "%{WMax}/s"}, {"S", "% PM/Hz", "%{PM}/Hz"}, {"S", "% VArAval", "%{VArAval}"},

	{"", "degC", "Cel"}, {"", "°C", "Cel"}, {"", "℃", "Cel"}, {"", "deg C", "Cel"}, {"", "Deg. C", "Cel"}, {"", "°F", "[degF]"}, {"", "℉", "[degF]"}, {"", "F", "[degF]"}, {"", "degF", "[degF]"},
	{"", "°", "deg"}, {"", "°C/min", "K/min"}, {"", "deg C/min", "K/min"}, {"", "degF/h", "[degR]/h"}, {"", "V/C", "V/K"}, {"", "W/(m²·K)", "W/(m2.K)"}, {"", "K", "K"},
	{"", "psi", "[psi]"}, {"", "PSI", "[psi]"}, {"", "psig", "[psi]{gauge}"}, {"", "bar(g)", "bar{gauge}"}, {"", "bar (a)", "bar{absolute}"}, {"", "bar g", "bar{gauge}"},
	{"", "barg", "bar{gauge}"}, {"", "mbar(abs)", "mbar{absolute}"}, {"", "kPa(g)", "kPa{gauge}"}, {"", "kPag", "kPa{gauge}"}, {"", "KPA", "kPa"}, {"", "kpa", "kPa"}, {"", "Mpa", "MPa"}, {"", "mpa", "mPa"}, {"", "PA", "Pa"},
	{"", "inHg", "[in_i'Hg]"}, {"", "mmH2O", "mm[H2O]"}, {"", "mmHg", "mm[Hg]"}, {"", "in WC", "[in_i'H2O]"}, {"", "in. WC", "[in_i'H2O]"}, {"", "kg/cm²", "kgf/cm2"}, {"", "kg/cm2", "kgf/cm2"},
	{"", "m³/h", "m3/h"}, {"", "M3/H", "m3/h"}, {"", "m3/hr", "m3/h"}, {"", "m³ / h", "m3/h"}, {"", "m^3/h", "m3/h"}, {"", "m**3/h", "m3/h"}, {"", "m³ h⁻¹", "m3.h-1"}, {"", "m3 per hour", "m3/h"}, {"", "Nm3/h", "m3{normal}/h"},
	{"", "l/s", "l/s"}, {"", "L/S", "L/s"}, {"", "l/sec", "l/s"}, {"", "lpm", "L/min"}, {"", "LPM", "L/min"}, {"", "ltr/min", "L/min"}, {"", "10^3 m³", "10*3.m3"},
	{"", "gpm", "[gal_us]/min"}, {"", "US gpm", "[gal_us]/min"}, {"", "US gal", "[gal_us]"}, {"", "US gal/min", "[gal_us]/min"}, {"", "Gal/min", "[gal_us]/min"}, {"", "gal", "[gal_us]"}, {"", "Imp gal", "[gal_br]"}, {"", "MGD", "10*6.[gal_us]/d"},
	{"", "cu ft", "[cft_i]"}, {"", "cu.ft", "[cft_i]"}, {"", "ft3/min", "[ft_i]3/min"}, {"", "CFM", "[cft_i]/min"}, {"", "ft/s", "[ft_i]/s"}, {"", "ft", "[ft_i]"}, {"", "in", "[in_i]"}, {"", "lb/ft³", "[lb_av]/[ft_i]3"}, {"", "gal_us", "[gal_us]"}, {"", "[gal_us]/hr", "[gal_us]/h"},
	{"", "RPM", "{rev}/min"}, {"", "rpm", "{rev}/min"}, {"", "rev/min", "{rev}/min"}, {"", "% RH", "%{RH}"}, {"", "ppm", "[ppm]"}, {"", "pH", "[pH]"}, {"", "NTU", "{NTU}"}, {"", "‰", "[ppth]"},
	{"", "µS/cm", "uS/cm"}, {"", "μS/cm", "uS/cm"}, {"", "us/cm", "uS/cm"}, {"", "MG/L", "mg/L"}, {"", "mg/l", "mg/l"},
	{"", "KW", "kW"}, {"", "kwh", "kW.h"}, {"", "MWH", "MW.h"}, {"", "kWh/m³", "kW.h/m3"}, {"", "m3/Wh", "m3/(W.h)"}, {"", "kVA", "kV.A"}, {"", "kVAr", "kV.A{reactive}"}, {"", "MVARh", "MV.A{reactive}.h"}, {"", "KOhm", "kOhm"}, {"", "kohm", "kOhm"}, {"", "kΩ", "kOhm"}, {"", "Amps", "A"}, {"", "mAmp", "mA"}, {"", "ma", "mA"}, {"", "HZ", "Hz"}, {"", "Volts", "V"},
	{"", "Nm", "N.m"}, {"", "N m", "N.m"}, {"", "m s-1", "m.s-1"}, {"", "hr", "h"}, {"", "Hrs", "h"}, {"", "minutes", "min"}, {"", "days", "d"}, {"", "ton", "t"}, {"", "hp", "[HP]"}, {"", "BTU/hr", "[Btu_IT]/h"}, {"", " m ", "m"},
	{"", "m3{dry}/hr", "m3{dry}/h"}, {"", "l{a}/sec{b}", "l{a}/s{b}"},

	{"", "", ""}, {"", "   ", ""}, {"", "see note 3", ""}, {"", "n/a", ""}, {"", "m/xyzzy", ""}, {"", "%{", ""}, {"", "%-", ""}, {"", "VA2", ""}, {"", "on/off", ""}, {"", "m//hr", ""}, {"", strings.Repeat("hr.", 100), ""},
}

func TestSuggest(t *testing.T) {
	for _, v := range freeTexts {
		s, ok := Suggest(v.text)
		if ok != (v.code != "") || s.Code != v.code {
			t.Errorf("%q: %q, %v; want %q", v.text, s.Code, ok, v.code)
		}
		if _, err := Parse(s.Code); ok && err != nil {
			t.Errorf("%q: %v", v.text, err)
		}
	}
}

// TestLists: every proposal of the lists is a code without doubt, every doubt
// a code, and no key can be missed for its spelling.
func TestLists(t *testing.T) {
	for key, s := range spellings {
		if doubt := mustParse(t, s.Code).Doubt(); doubt != "" {
			t.Errorf("%q: %s", key, doubt)
		}
		if key != strings.ToLower(key) {
			t.Errorf("the key %q is not in lower case", key)
		}
		if got, ok := Suggest(key); !ok {
			t.Errorf("nothing is proposed for %q", key)
		} else if _, err := Parse(key); err != nil && got != s {
			t.Errorf("for %q %v is proposed, the list says %v", key, got, s)
		}
	}
	for _, list := range [][]doubt{doubts, wholeDoubts} {
		for _, d := range list {
			if text := mustParse(t, d.code).Doubt(); !strings.Contains(text, "write "+d.write) {
				t.Errorf("%s: %q", d.code, text)
			}
			if text := mustParse(t, d.write).Doubt(); text != "" {
				t.Errorf("%s is doubted itself: %s", d.write, text)
			}
		}
	}
	// what a doubted unit means is what the table says
	for _, d := range doubts {
		if _, name, _ := known().find(d.code); name != d.means {
			t.Errorf("%s is %q, not %q", d.code, name, d.means)
		}
	}
}

func TestDoubt(t *testing.T) {
	for code, want := range map[string]string{
		"C":      `"C" means coulomb; for degree Celsius write Cel`,
		"ft/s":   `"ft" means femtotonne; for foot write [ft_i]/s`,
		"us/cm":  `"us/cm" means microsecond per centimetre; for conductivity write uS/cm`,
		"Gal":    `"Gal" means gal, the unit of acceleration; for US gallon write [gal_us]`,
		"m3/h":   "",
		"Cel":    "",
		"(pH)":   "", // no proposal can be made, so no doubt is raised
		"C{abc}": `"C" means coulomb; for degree Celsius write Cel{abc}`,
	} {
		if got := mustParse(t, code).Doubt(); got != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
}
