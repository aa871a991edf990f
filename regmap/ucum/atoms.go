package ucum

// An Atom is one unit of the table: a code that stands alone or, if it is
// metric, behind a prefix.
type Atom struct {
	Code   string // UCUM, case-sensitive
	Name   string // for people
	Metric bool   // takes prefixes
	Value  string // how much of Of it is: a decimal or a fraction, exact
	Of     string // a code of rows further up; "" for a base unit
	Source string // the document that fixes Value and Of
}

// The documents that fix the definitions. "Essence" rows were read in the
// published table of UCUM 2.2 itself; the other documents are cited from
// memory. Code, factor and dimension of every row were compared with a
// published copy of an earlier UCUM table: all agree, save the mole, for which
// that table has the older 6.0221367e23.
const (
	srcEssence  = "UCUM 2.2 essence"
	srcBase     = "UCUM 2.2, table of base units (from memory)"
	srcUCUM     = "UCUM 2.2 (from memory)"
	srcSI       = "SI Brochure 2019, tables 2 to 8 (from memory)"
	srcSIMole   = "SI Brochure 2019, 2.2, Avogadro number (from memory)"
	srcSICharge = "SI Brochure 2019, 2.2, elementary charge (from memory)"
	srcYard     = "international yard and pound agreement of 1959: yard 0.9144 m, pound 0.45359237 kg (from memory)"
	srcGravity  = "CGPM 1901: standard gravity 9.80665 m/s2 (from memory)"
	srcATM      = "CGPM 1954: standard atmosphere 101325 Pa (from memory)"
	srcMile     = "international hydrographic conference 1929: nautical mile 1852 m (from memory)"
	srcSteam    = "international steam table conference 1956 (from memory)"
	srcIEC      = "IEC 80000-13, binary and information units (from memory)"
	srcSurvey   = "US survey foot of 1893: 1200/3937 m (from memory)"
	srcGallonUS = "US gallon: 231 cubic inches (UCUM 2.2 essence)"
	srcGallonBr = "UK gallon: 4.54609 L (UCUM 2.2 essence)"
	srcWater    = "UCUM 2.2 essence: column of water, 9.80665 kPa a metre"
	srcMercury  = "UCUM 2.2 (from memory): column of mercury, 133.3220 kPa a metre"
	srcCGS      = "CGS units as the SI Brochure 2006, table 9, lists them (from memory)"
)

// The factors of the Celsius and Fahrenheit scales stand in the rows below,
// the numbers of their kelvin zero here. Source: SI Brochure 2019, 2.3.1, for
// Celsius (from memory); Fahrenheit is 1.8 t + 32 of it.
var offsets = map[string]string{
	"Cel":    "273.15",
	"[degF]": "45967/180", // 459.67 x 5/9
}

// ownScales are units that measure on a scale of their own, mostly
// logarithmic, with what they measure.
var ownScales = map[string]string{
	"[pH]":   "acidity",
	"B":      "level",
	"B[SPL]": "sound pressure level",
	"B[V]":   "voltage level",
	"B[mV]":  "voltage level",
	"B[uV]":  "voltage level",
	"B[W]":   "power level",
	"B[kW]":  "power level",
	"Np":     "level",
}

// piCode is UCUM's number pi. Its power is kept apart from the factor, so that
// degrees, turns and gon convert exactly among themselves.
const piCode = "[pi]"

// piDigits is pi to the 64 decimals that UCUM gives. Source: UCUM 2.2.
const piDigits = "3.1415926535897932384626433832795028841971693993751058209749445923"

// atoms is the table, each row made of rows above it.
var atoms = [][]Atom{numberAtoms, spaceAtoms, mechanicalAtoms, electricalAtoms, otherAtoms}

var numberAtoms = []Atom{
	{"m", "metre", true, "1", "", srcBase},
	{"s", "second", true, "1", "", srcBase},
	{"g", "gram", true, "1", "", srcBase},
	{"rad", "radian", true, "1", "", srcBase},
	{"K", "kelvin", true, "1", "", srcBase},
	{"C", "coulomb", true, "1", "", srcBase},
	{"cd", "candela", true, "1", "", srcBase},

	{"10*", "ten to a power", false, "10", "1", srcUCUM},
	{"10^", "ten to a power", false, "10", "1", srcUCUM},
	{piCode, "pi", false, piDigits, "1", srcUCUM},
	{"%", "percent", false, "0.01", "1", srcEssence},
	{"[ppth]", "parts per thousand", false, "1e-3", "1", srcUCUM},
	{"[ppm]", "parts per million", false, "1e-6", "1", srcEssence},
	{"[ppb]", "parts per billion", false, "1e-9", "1", srcUCUM},
	{"[pptr]", "parts per trillion", false, "1e-12", "1", srcUCUM},
	{"mol", "mole", true, "6.02214076e23", "1", srcSIMole},
	{"[pH]", "pH", false, "1", "1", srcEssence},
	{"B", "bel", true, "1", "1", srcUCUM},
	{"B[SPL]", "bel of sound pressure", true, "1", "1", srcUCUM},
	{"B[V]", "bel of one volt", true, "1", "1", srcUCUM},
	{"B[mV]", "bel of one millivolt", true, "1", "1", srcUCUM},
	{"B[uV]", "bel of one microvolt", true, "1", "1", srcUCUM},
	{"B[W]", "bel of one watt", true, "1", "1", srcUCUM},
	{"B[kW]", "bel of one kilowatt", true, "1", "1", srcUCUM},
	{"Np", "neper", true, "1", "1", srcUCUM},
	{"bit", "bit", true, "1", "1", srcIEC},
	{"By", "byte", true, "8", "bit", srcIEC},
	{"Bd", "baud", true, "1", "s-1", srcUCUM},
}

var spaceAtoms = []Atom{
	{"min", "minute", false, "60", "s", srcSI},
	{"h", "hour", false, "60", "min", srcSI},
	{"d", "day", false, "24", "h", srcSI},
	{"wk", "week", false, "7", "d", srcUCUM},
	{"a_t", "tropical year", false, "365.24219", "d", srcUCUM},
	{"a_j", "mean Julian year", false, "365.25", "d", srcUCUM},
	{"a_g", "mean Gregorian year", false, "365.2425", "d", srcUCUM},
	{"a", "year", false, "1", "a_j", srcUCUM},
	{"mo_j", "mean Julian month", false, "1/12", "a_j", srcUCUM},
	{"mo_g", "mean Gregorian month", false, "1/12", "a_g", srcUCUM},
	{"mo_s", "synodal month", false, "29.53059", "d", srcUCUM},
	{"mo", "month", false, "1", "mo_j", srcUCUM},
	{"Hz", "hertz", true, "1", "s-1", srcSI},
	{"Bq", "becquerel", true, "1", "s-1", srcSI},

	{"circ", "turn", false, "2", "[pi].rad", srcUCUM},
	{"deg", "degree of angle", false, "1/360", "circ", srcSI},
	{"'", "minute of angle", false, "1/60", "deg", srcSI},
	{"''", "second of angle", false, "1/60", "'", srcSI},
	{"gon", "gon", false, "0.9", "deg", srcUCUM},
	{"sr", "steradian", true, "1", "rad2", srcSI},
	{"sph", "whole sphere", false, "4", "[pi].sr", srcUCUM},

	{"[in_i]", "inch", false, "0.0254", "m", srcYard},
	{"[ft_i]", "foot", false, "12", "[in_i]", srcYard},
	{"[yd_i]", "yard", false, "3", "[ft_i]", srcYard},
	{"[mi_i]", "mile", false, "5280", "[ft_i]", srcYard},
	{"[mil_i]", "mil, a thousandth of an inch", false, "0.001", "[in_i]", srcYard},
	{"[fth_i]", "fathom", false, "6", "[ft_i]", srcYard},
	{"[nmi_i]", "nautical mile", false, "1852", "m", srcMile},
	{"[kn_i]", "knot", false, "1", "[nmi_i]/h", srcMile},
	{"[ft_us]", "US survey foot", false, "1200/3937", "m", srcSurvey},
	{"[in_us]", "US survey inch", false, "1/12", "[ft_us]", srcSurvey},
	{"[yd_us]", "US survey yard", false, "3", "[ft_us]", srcSurvey},
	{"[rd_us]", "rod", false, "16.5", "[ft_us]", srcSurvey},
	{"[ch_us]", "surveyor's chain", false, "4", "[rd_us]", srcSurvey},
	{"[mi_us]", "US survey mile", false, "5280", "[ft_us]", srcSurvey},
	{"Ao", "angstrom", false, "0.1", "nm", srcCGS},
	{"[g]", "standard gravity", true, "9.80665", "m/s2", srcGravity},
	{"Gal", "gal, the unit of acceleration", true, "1", "cm/s2", srcCGS},

	{"ar", "are", true, "100", "m2", srcUCUM},
	{"[sin_i]", "square inch", false, "1", "[in_i]2", srcYard},
	{"[sft_i]", "square foot", false, "1", "[ft_i]2", srcYard},
	{"[syd_i]", "square yard", false, "1", "[yd_i]2", srcYard},
	{"[acr_us]", "US survey acre", false, "43560", "[ft_us]2", srcSurvey},
	{"[cml_i]", "circular mil", false, "1/4", "[pi].[mil_i]2", srcUCUM},
	{"l", "litre", true, "1", "dm3", srcEssence},
	{"L", "litre", true, "1", "l", srcEssence},
	{"st", "stere", true, "1", "m3", srcUCUM},
	{"[cin_i]", "cubic inch", false, "1", "[in_i]3", srcYard},
	{"[cft_i]", "cubic foot", false, "1", "[ft_i]3", srcYard},
	{"[cyd_i]", "cubic yard", false, "1", "[yd_i]3", srcYard},
	{"[bf_i]", "board foot", false, "144", "[in_i]3", srcUCUM},
	{"[gal_us]", "US gallon", false, "231", "[in_i]3", srcGallonUS},
	{"[qt_us]", "US quart", false, "1/4", "[gal_us]", srcGallonUS},
	{"[pt_us]", "US pint", false, "1/2", "[qt_us]", srcGallonUS},
	{"[gil_us]", "US gill", false, "1/4", "[pt_us]", srcGallonUS},
	{"[foz_us]", "US fluid ounce", false, "1/16", "[pt_us]", srcGallonUS},
	{"[bbl_us]", "barrel of 42 US gallons", false, "42", "[gal_us]", srcUCUM},
	{"[gal_br]", "imperial gallon", false, "4.54609", "l", srcGallonBr},
	{"[qt_br]", "imperial quart", false, "1/4", "[gal_br]", srcGallonBr},
	{"[pt_br]", "imperial pint", false, "1/2", "[qt_br]", srcGallonBr},
	{"[gil_br]", "imperial gill", false, "1/4", "[pt_br]", srcGallonBr},
	{"[foz_br]", "imperial fluid ounce", false, "1/160", "[gal_br]", srcGallonBr},
}

var mechanicalAtoms = []Atom{
	{"t", "tonne", true, "1000", "kg", srcEssence},
	{"[lb_av]", "pound", false, "453.59237", "g", srcYard},
	{"[oz_av]", "ounce", false, "1/16", "[lb_av]", srcYard},
	{"[gr]", "grain", false, "1/7000", "[lb_av]", srcYard},
	{"[ston_av]", "short ton of 2000 pounds", false, "2000", "[lb_av]", srcYard},
	{"[lton_av]", "long ton of 2240 pounds", false, "2240", "[lb_av]", srcYard},
	{"[scwt_av]", "short hundredweight of 100 pounds", false, "100", "[lb_av]", srcYard},
	{"[lcwt_av]", "long hundredweight of 112 pounds", false, "112", "[lb_av]", srcYard},
	{"[stone_av]", "stone", false, "14", "[lb_av]", srcYard},

	{"N", "newton", true, "1", "kg.m/s2", srcSI},
	{"dyn", "dyne", true, "1", "g.cm/s2", srcCGS},
	{"gf", "gram-force", true, "1", "g.[g]", srcGravity},
	{"[lbf_av]", "pound-force", false, "1", "[lb_av].[g]", srcYard},
	{"Pa", "pascal", true, "1", "N/m2", srcSI},
	{"bar", "bar", true, "1e5", "Pa", srcEssence},
	{"atm", "standard atmosphere", false, "101325", "Pa", srcATM},
	{"att", "technical atmosphere", false, "1", "kgf/cm2", srcUCUM},
	{"[psi]", "pound-force a square inch", false, "1", "[lbf_av]/[in_i]2", srcEssence},
	{"m[H2O]", "metre of water", true, "9.80665", "kPa", srcWater},
	{"[in_i'H2O]", "inch of water", false, "0.0254", "m[H2O]", srcWater},
	{"m[Hg]", "metre of mercury", true, "133.3220", "kPa", srcMercury},
	{"Torr", "torr as UCUM has it", false, "133.322", "Pa", srcUCUM},
	{"[in_i'Hg]", "inch of mercury", false, "0.0254", "m[Hg]", srcMercury},

	{"J", "joule", true, "1", "N.m", srcSI},
	{"erg", "erg", true, "1", "dyn.cm", srcCGS},
	{"cal_IT", "international table calorie", true, "4.1868", "J", srcSteam},
	{"cal_th", "thermochemical calorie", true, "4.184", "J", srcUCUM},
	{"cal_[15]", "calorie at 15 degrees Celsius", true, "4.18580", "J", srcUCUM},
	{"cal_[20]", "calorie at 20 degrees Celsius", true, "4.18190", "J", srcUCUM},
	{"cal_m", "mean calorie", true, "4.19002", "J", srcUCUM},
	{"cal", "calorie", true, "1", "cal_th", srcUCUM},
	{"[Cal]", "nutrition calorie", false, "1", "kcal_th", srcUCUM},
	{"[Btu_39]", "British thermal unit at 39 degrees Fahrenheit", false, "1.05967", "kJ", srcUCUM},
	{"[Btu_59]", "British thermal unit at 59 degrees Fahrenheit", false, "1.05480", "kJ", srcUCUM},
	{"[Btu_60]", "British thermal unit at 60 degrees Fahrenheit", false, "1.05468", "kJ", srcUCUM},
	{"[Btu_IT]", "international table British thermal unit", false, "1.05505585262", "kJ", srcSteam},
	{"[Btu_th]", "thermochemical British thermal unit", false, "1.054350", "kJ", srcUCUM},
	{"[Btu]", "British thermal unit", false, "1", "[Btu_th]", srcUCUM},
	{"W", "watt", true, "1", "J/s", srcSI},
	{"[HP]", "horsepower", false, "550", "[ft_i].[lbf_av]/s", srcUCUM},
	{"P", "poise", true, "1", "dyn.s/cm2", srcCGS},
	{"St", "stokes", true, "1", "cm2/s", srcCGS},
}

var electricalAtoms = []Atom{
	{"A", "ampere", true, "1", "C/s", srcSI},
	{"V", "volt", true, "1", "J/C", srcSI},
	{"Ohm", "ohm", true, "1", "V/A", srcSI},
	{"S", "siemens", true, "1", "Ohm-1", srcSI},
	{"mho", "mho", true, "1", "S", srcUCUM},
	{"F", "farad", true, "1", "C/V", srcSI},
	{"Wb", "weber", true, "1", "V.s", srcSI},
	{"T", "tesla", true, "1", "Wb/m2", srcSI},
	{"H", "henry", true, "1", "Wb/A", srcSI},
	{"G", "gauss", true, "1e-4", "T", srcCGS},
	{"Mx", "maxwell", true, "1e-8", "Wb", srcCGS},
}

var otherAtoms = []Atom{
	{"Cel", "degree Celsius", true, "1", "K", srcEssence},
	{"[degF]", "degree Fahrenheit", false, "5/9", "K", srcEssence},
	{"[degR]", "degree Rankine", false, "5/9", "K", srcUCUM},

	{"lm", "lumen", true, "1", "cd.sr", srcSI},
	{"lx", "lux", true, "1", "lm/m2", srcSI},
	{"Gy", "gray", true, "1", "J/kg", srcSI},
	{"Sv", "sievert", true, "1", "J/kg", srcSI},
	{"kat", "katal", true, "1", "mol/s", srcSI},
	{"[den]", "denier", false, "1/9", "g/km", srcUCUM},
	{"eq", "equivalent", true, "1", "mol", srcUCUM},
	{"tex", "tex", true, "1", "g/km", srcUCUM},
	{"[mesh_i]", "mesh", false, "1", "[in_i]-1", srcUCUM},
	{"[bu_us]", "US bushel", false, "2150.42", "[in_i]3", srcUCUM},
	{"[cr_i]", "cord", false, "128", "[ft_i]3", srcUCUM},
}
