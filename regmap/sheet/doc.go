// Package sheet takes register lists in: lists as people write them in
// spreadsheets, W3C Thing Descriptions with the Modbus binding, and SunSpec
// information models become maps; a reissued list is merged into a map that
// already exists. A map goes out as a Thing Description.
//
// The importer says what it took each column for and how sure it is, and it
// asks where a list cannot tell: nothing is guessed silently and nothing is
// lost silently. Every map that it writes was read back without a fault.
//
// It opens no file. Cells come from regmap/paper, units are regmap/ucum's, the
// map language is regmap's.
package sheet
