package line

import "plumbline/regmap/doc"

// Shape is what a line file looks like: the tables that Load reads by, for
// help and schema.
func Shape() doc.Shape { return lineTable.Shape() }
