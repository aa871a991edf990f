package regmap

import "plumbline/regmap/doc"

// MapShape is what a map file looks like, with the blocks that the sections
// own: the tables that Load reads by, for help and schema.
func MapShape(sections ...Section) doc.Shape { return mapTable(sections).Shape() }
