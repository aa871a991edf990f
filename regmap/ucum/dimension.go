package ucum

import (
	"strconv"
	"strings"
)

// A Dimension is the exponents of the seven base quantities of UCUM: length,
// time, mass, plane angle, temperature, electric charge, luminous intensity.
// (UCUM counts charge where the SI counts current, and takes the mole for a
// number.) The zero Dimension is that of a plain number. Source: UCUM 2.2,
// table of base units (from memory).
type Dimension [7]int8

// baseSymbols are the units whose powers String writes, in the order of
// Dimension.
var baseSymbols = [7]string{"m", "s", "g", "rad", "K", "C", "cd"}

// String writes the vector as a code of base units, such as "m3.s-1"; "1" for
// a plain number.
func (d Dimension) String() string {
	var b strings.Builder
	for i, exponent := range d {
		if exponent == 0 {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(baseSymbols[i])
		if exponent != 1 {
			b.WriteString(strconv.Itoa(int(exponent)))
		}
	}
	if b.Len() == 0 {
		return "1"
	}
	return b.String()
}

// Name is what people call the quantity: "pressure", "volume flow"; "" where
// the list has no name for it. Of quantities that share a vector it names the
// one met on plant (energy, not torque).
func (d Dimension) Name() string { return quantities[d] }

// quantities names the vectors, exponents in the order of Dimension. Source:
// ISO 80000-1 and the parts it lists for the names (from memory); the vectors
// follow from the defining equations.
var quantities = map[Dimension]string{
	{}:                     "plain number",
	{1}:                    "length",
	{2}:                    "area",
	{3}:                    "volume",
	{-1}:                   "number per length",
	{-2}:                   "number per area",
	{-3}:                   "number per volume",
	{0, 1}:                 "time",
	{0, -1}:                "frequency",
	{1, -1}:                "speed",
	{1, -2}:                "acceleration",
	{2, -1}:                "area per time",
	{3, -1}:                "volume flow",
	{0, 0, 1}:              "mass",
	{0, -1, 1}:             "mass flow",
	{-1, 0, 1}:             "mass per length",
	{-2, 0, 1}:             "mass per area",
	{-3, 0, 1}:             "density",
	{3, 0, -1}:             "specific volume",
	{0, 0, 0, 1}:           "angle",
	{0, -1, 0, 1}:          "angular speed",
	{0, -2, 0, 1}:          "angular acceleration",
	{0, 0, 0, 2}:           "solid angle",
	{1, -2, 1}:             "force",
	{0, -2, 1}:             "force per length",
	{-1, -2, 1}:            "pressure",
	{-2, -2, 1}:            "pressure per length",
	{-1, -3, 1}:            "pressure per time",
	{-1, -1, 1}:            "viscosity",
	{2, -2, 1}:             "energy",
	{2, -3, 1}:             "power",
	{2, -4, 1}:             "power per time",
	{0, -3, 1}:             "power per area",
	{2, -2}:                "energy per mass",
	{0, 0, 0, 0, 1}:        "temperature",
	{0, -1, 0, 0, 1}:       "temperature per time",
	{2, -2, 1, 0, -1}:      "heat capacity",
	{2, -2, 0, 0, -1}:      "specific heat capacity",
	{0, -3, 1, 0, -1}:      "heat transfer coefficient",
	{1, -3, 1, 0, -1}:      "thermal conductivity",
	{0, 0, 0, 0, 0, 1}:     "electric charge",
	{0, -1, 0, 0, 0, 1}:    "electric current",
	{0, -2, 0, 0, 0, 1}:    "electric current per time",
	{2, -2, 1, 0, 0, -1}:   "voltage",
	{2, -3, 1, 0, 0, -1}:   "voltage per time",
	{1, -2, 1, 0, 0, -1}:   "electric field strength",
	{2, -1, 1, 0, 0, -2}:   "electric resistance",
	{3, -1, 1, 0, 0, -2}:   "resistivity",
	{-2, 1, -1, 0, 0, 2}:   "electric conductance",
	{-3, 1, -1, 0, 0, 2}:   "electric conductivity",
	{-2, 2, -1, 0, 0, 2}:   "capacitance",
	{2, 0, 1, 0, 0, -2}:    "inductance",
	{2, -1, 1, 0, 0, -1}:   "magnetic flux",
	{0, -1, 1, 0, 0, -1}:   "magnetic flux density",
	{0, 0, 0, 0, 0, 0, 1}:  "luminous intensity",
	{0, 0, 0, 2, 0, 0, 1}:  "luminous flux",
	{-2, 0, 0, 2, 0, 0, 1}: "illuminance",
	{-2, 0, 0, 0, 0, 0, 1}: "luminance",
	{-3, -1}:               "number per volume and time",
}
