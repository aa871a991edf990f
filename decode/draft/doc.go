// Package draft makes a first register map out of traffic: what a panel asks a
// station for is what its maker believed the station to hold. It knows tables,
// ranges, which registers were asked for together, what they held and what was
// written; names, types, scales and units are for a person to complete, and the
// map says so.
package draft
