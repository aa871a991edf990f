// Package sheet is register lists out and in: what two sides agree on paper,
// and what changed between two issues of it.
//
// The map language belongs to regmap, documents and cells to regmap/paper.
package sheet
