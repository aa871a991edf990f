// Package ucum reads codes of the Unified Code for Units of Measure in their
// case-sensitive form ("m3/h", "Cel", "[gal_us]/min", "kW.h") and converts
// between units exactly, in rationals.
//
// A code is one unit or a product of units; its meaning is a vector of seven
// base quantities, a factor and, for the two everyday temperature scales, an
// offset. Logarithmic scales (pH, decibel) are read and convert only to
// themselves. Registers, points and maps are unknown here: regmap says which
// text is a code.
//
// The table holds about 150 units, those of process plants, electrical supply
// and buildings; the rest of the standard (clinical, apothecary, typographic
// and arbitrary units) is not in it. Each row names where its definition comes
// from.
package ucum
