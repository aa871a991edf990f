package ucum

// doubt is a code that people often write for something else.
type doubt struct {
	code, means   string // what was written, and what UCUM takes it for
	wanted, write string // what was probably wanted, and its code
}

// doubts are units, wherever they stand in a code. Met in public register
// lists (C stands for degrees Celsius in the SunSpec information models) or
// common practice; the meanings follow from the table.
var doubts = []doubt{
	{"C", "coulomb", "degree Celsius", "Cel"},
	{"F", "farad", "degree Fahrenheit", "[degF]"},
	{"ft", "femtotonne", "foot", "[ft_i]"},
	{"pH", "picohenry", "acidity", "[pH]"},
	{"PH", "petahenry", "acidity", "[pH]"},
	{"PA", "petaampere", "pascal", "Pa"},
	{"Gal", "gal, the unit of acceleration", "US gallon", "[gal_us]"},
	{"at", "attotonne", "technical atmosphere", "att"},
	{"pt", "picotonne", "US pint", "[pt_us]"},
}

// wholeDoubts are whole codes. PF stands for power factor in the SunSpec
// information models; the others are common practice.
var wholeDoubts = []doubt{
	{"PF", "petafarad", "power factor", "1"},
	{"us/cm", "microsecond per centimetre", "conductivity", "uS/cm"},
	{"ms/cm", "millisecond per centimetre", "conductivity", "mS/cm"},
	{"ms/m", "millisecond per metre", "conductivity", "mS/m"},
	{"kg/cm2", "mass per area", "pressure", "kgf/cm2"},
	{"L/S", "litre per siemens", "volume flow", "L/s"},
	{"l/S", "litre per siemens", "volume flow", "l/s"},
	{"MG/L", "megagauss per litre", "milligram per litre", "mg/L"},
}

// pressures are suffixes that say against what a pressure is measured.
var pressures = []struct{ suffix, annotation string }{
	{"(g)", "{gauge}"}, {"(gauge)", "{gauge}"}, {"(a)", "{absolute}"}, {"(abs)", "{absolute}"},
	{" gauge", "{gauge}"}, {" abs", "{absolute}"}, {" g", "{gauge}"}, {" a", "{absolute}"},
}

const (
	notImperial = "of the US; the imperial gallon is [gal_br]"
	notPint     = "of the US; the imperial pint is [pt_br]"
	notQuart    = "of the US; the imperial quart is [qt_br]"
	notShort    = "the tonne; a short ton is [ston_av], a long ton [lton_av]"
	notBtu      = "international table; the thermochemical one is [Btu_th]"
)

// spellings are free texts, in lower case without exponents, and their codes.
// Those of public register lists come first; the rest is common practice.
var spellings = map[string]Suggestion{
	// SunSpec information models, json/model_*.json: units as they stand there
	"secs": {Code: "s"}, "sec": {Code: "s"}, "pct": {Code: "%"}, "degrees": {Code: "deg", Note: "of angle; of temperature it is Cel or [degF]"},
	"var": {Code: "V.A{reactive}"}, "varh": {Code: "V.A{reactive}.h"}, "va": {Code: "V.A"}, "vah": {Code: "V.A.h"},
	"wh": {Code: "W.h"}, "ah": {Code: "A.h"}, "p.f.": {Code: "1"}, "cos()": {Code: "1"}, "bps": {Code: "bit/s"},

	// time
	"s.": {Code: "s"}, "sec.": {Code: "s"}, "second": {Code: "s"}, "seconds": {Code: "s"}, "msec": {Code: "ms"}, "usec": {Code: "us"},
	"mins": {Code: "min"}, "minute": {Code: "min"}, "minutes": {Code: "min"}, "hr": {Code: "h"}, "hrs": {Code: "h"},
	"hour": {Code: "h"}, "hours": {Code: "h"}, "day": {Code: "d"}, "days": {Code: "d"}, "week": {Code: "wk"}, "weeks": {Code: "wk"},
	"month": {Code: "mo"}, "months": {Code: "mo"}, "year": {Code: "a"}, "years": {Code: "a"}, "yr": {Code: "a"}, "yrs": {Code: "a"},

	// temperature
	"degc": {Code: "Cel"}, "deg.c": {Code: "Cel"}, "c": {Code: "Cel"}, "celsius": {Code: "Cel"}, "centigrade": {Code: "Cel"},
	"degf": {Code: "[degF]"}, "deg.f": {Code: "[degF]"}, "fahrenheit": {Code: "[degF]"}, "f": {Code: "[degF]"},
	"degk": {Code: "K"}, "kelvin": {Code: "K"}, "degr": {Code: "[degR]"}, "rankine": {Code: "[degR]"},
	"deltac": {Code: "K"}, "deltak": {Code: "K"},

	// numbers and water quality
	"percent": {Code: "%"}, "per cent": {Code: "%"}, "%rh": {Code: "%{RH}"}, "ppm": {Code: "[ppm]"}, "ppb": {Code: "[ppb]"}, "ph": {Code: "[pH]"},
	"ntu": {Code: "{NTU}"}, "fnu": {Code: "{FNU}"}, "count": {Code: "{count}"}, "counts": {Code: "{count}"},
	"pulse": {Code: "{pulse}"}, "pulses": {Code: "{pulse}"}, "starts": {Code: "{start}"}, "revs": {Code: "{rev}"}, "rev": {Code: "{rev}"},
	"rpm": {Code: "{rev}/min"}, "rps": {Code: "{rev}/s"}, "cpm": {Code: "{count}/min"},

	// length and area
	"metre": {Code: "m"}, "metres": {Code: "m"}, "meter": {Code: "m"}, "meters": {Code: "m"}, "mtr": {Code: "m"}, "mtrs": {Code: "m"},
	"in": {Code: "[in_i]"}, "inch": {Code: "[in_i]"}, "inches": {Code: "[in_i]"}, "foot": {Code: "[ft_i]"}, "feet": {Code: "[ft_i]"},
	"yd": {Code: "[yd_i]"}, "yard": {Code: "[yd_i]"}, "yards": {Code: "[yd_i]"}, "mile": {Code: "[mi_i]"}, "miles": {Code: "[mi_i]"},
	"mph": {Code: "[mi_i]/h"}, "kph": {Code: "km/h"}, "kmh": {Code: "km/h"}, "fps": {Code: "[ft_i]/s"}, "fpm": {Code: "[ft_i]/min"},
	"kn": {Code: "[kn_i]"}, "kts": {Code: "[kn_i]"}, "knot": {Code: "[kn_i]"}, "knots": {Code: "[kn_i]"},
	"sqm": {Code: "m2"}, "sqft": {Code: "[sft_i]"}, "sqin": {Code: "[sin_i]"}, "ha": {Code: "har"}, "hectare": {Code: "har"}, "hectares": {Code: "har"},
	"acre": {Code: "[acr_us]"}, "acres": {Code: "[acr_us]"}, "deg.": {Code: "deg"}, "degree": {Code: "deg"},

	// volume and flow
	"litre": {Code: "L"}, "litres": {Code: "L"}, "liter": {Code: "L"}, "liters": {Code: "L"}, "ltr": {Code: "L"}, "ltrs": {Code: "L"},
	"cum": {Code: "m3"}, "cbm": {Code: "m3"}, "cc": {Code: "cm3"}, "nm3": {Code: "m3{normal}"}, "sm3": {Code: "m3{standard}"},
	"m3/h": {Code: "m3/h"}, "m3/hr": {Code: "m3/h"}, "m3h": {Code: "m3/h"}, "cmh": {Code: "m3/h"}, "cumec": {Code: "m3/s"}, "cumecs": {Code: "m3/s"},
	"nm3/h": {Code: "m3{normal}/h"}, "sm3/h": {Code: "m3{standard}/h"},
	"lps": {Code: "L/s"}, "lpm": {Code: "L/min"}, "lph": {Code: "L/h"}, "mld": {Code: "ML/d"},
	"gal": {Code: "[gal_us]", Note: notImperial}, "gals": {Code: "[gal_us]", Note: notImperial},
	"gallon": {Code: "[gal_us]", Note: notImperial}, "gallons": {Code: "[gal_us]", Note: notImperial},
	"usgal": {Code: "[gal_us]"}, "usg": {Code: "[gal_us]"}, "galus": {Code: "[gal_us]"}, "impgal": {Code: "[gal_br]"}, "ukgal": {Code: "[gal_br]"}, "igal": {Code: "[gal_br]"},
	"gpm": {Code: "[gal_us]/min", Note: notImperial}, "gpd": {Code: "[gal_us]/d", Note: notImperial}, "gph": {Code: "[gal_us]/h", Note: notImperial},
	"usgpm": {Code: "[gal_us]/min"}, "igpm": {Code: "[gal_br]/min"}, "impgpm": {Code: "[gal_br]/min"}, "mgd": {Code: "10*6.[gal_us]/d", Note: notImperial},
	"qt": {Code: "[qt_us]", Note: notQuart}, "pint": {Code: "[pt_us]", Note: notPint}, "bbl": {Code: "[bbl_us]"}, "bpd": {Code: "[bbl_us]/d"},
	"cf": {Code: "[cft_i]"}, "cuft": {Code: "[cft_i]"}, "cuin": {Code: "[cin_i]"}, "cuyd": {Code: "[cyd_i]"},
	"cfm": {Code: "[cft_i]/min"}, "cfs": {Code: "[cft_i]/s"}, "cfh": {Code: "[cft_i]/h"}, "scfm": {Code: "[cft_i]{standard}/min"},

	// mass and force
	"kgs": {Code: "kg"}, "kilo": {Code: "kg"}, "kilos": {Code: "kg"}, "lb": {Code: "[lb_av]"}, "lbs": {Code: "[lb_av]"}, "lbm": {Code: "[lb_av]"},
	"lbf": {Code: "[lbf_av]"}, "oz": {Code: "[oz_av]"}, "ton": {Code: "t", Note: notShort}, "tons": {Code: "t", Note: notShort},
	"tonne": {Code: "t"}, "tonnes": {Code: "t"}, "te": {Code: "t"}, "kgf": {Code: "kgf"}, "kp": {Code: "kgf"}, "nm": {Code: "N.m"},

	// pressure
	"psi": {Code: "[psi]"}, "psig": {Code: "[psi]{gauge}"}, "psia": {Code: "[psi]{absolute}"}, "psid": {Code: "[psi]{difference}"},
	"barg": {Code: "bar{gauge}"}, "bara": {Code: "bar{absolute}"}, "mbarg": {Code: "mbar{gauge}"}, "mbara": {Code: "mbar{absolute}"},
	"kpag": {Code: "kPa{gauge}"}, "kpaa": {Code: "kPa{absolute}"}, "mh2o": {Code: "m[H2O]"}, "mwc": {Code: "m[H2O]"}, "mmwc": {Code: "mm[H2O]"}, "mwg": {Code: "m[H2O]{gauge}"},
	"cmh2o": {Code: "cm[H2O]"}, "mmh2o": {Code: "mm[H2O]"}, "mmhg": {Code: "mm[Hg]"}, "inhg": {Code: "[in_i'Hg]"}, "inh2o": {Code: "[in_i'H2O]"},
	"inwc": {Code: "[in_i'H2O]"}, "inwg": {Code: "[in_i'H2O]"}, "ksc": {Code: "kgf/cm2"}, "torr": {Code: "Torr"}, "pascal": {Code: "Pa"},

	// energy and electricity
	"btu": {Code: "[Btu_IT]", Note: notBtu}, "btuh": {Code: "[Btu_IT]/h", Note: notBtu}, "hp": {Code: "[HP]"}, "watt": {Code: "W"}, "watts": {Code: "W"},
	"kcal": {Code: "kcal"}, "amp": {Code: "A"}, "amps": {Code: "A"}, "ampere": {Code: "A"}, "amperes": {Code: "A"}, "volt": {Code: "V"}, "volts": {Code: "V"}, "v": {Code: "V"}, "w": {Code: "W"},
	"ohms": {Code: "Ohm"}, "hertz": {Code: "Hz"}, "cps": {Code: "Hz"}, "siemens": {Code: "S"}, "lux": {Code: "lx"}, "lumen": {Code: "lm"},
	"vac": {Code: "V{AC}"}, "vdc": {Code: "V{DC}"}, "us/cm": {Code: "uS/cm"}, "joule": {Code: "J"}, "joules": {Code: "J"},
	"byte": {Code: "By"}, "bytes": {Code: "By"}, "bits": {Code: "bit"},
}
