// Package agree is what two sides settle on paper before anyone wires
// anything: the register list, the interface sheet with one worked example a
// type, and every difference between two issues of a map.
//
// It makes documents as data; regmap/paper draws them. Lists that come in from
// outside are regmap/sheet's.
package agree
