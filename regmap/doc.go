// Package regmap holds what one kind of device contains: points, their types,
// byte order and scaling. It loads and checks map files and turns register
// contents into values and back.
//
// It is the lowest floor: no socket, no clock, no frame. The YAML library is
// behind regmap/doc; decode knows frames, poll and simdevice know lines, and
// none of them is imported here.
package regmap
