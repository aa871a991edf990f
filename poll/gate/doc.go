// Package gate is the one way to write to a plant. A write passes thirteen
// steps, in this order, and one that fails stops it:
//
//	may         the map says `write`, the line file says so of the station
//	device      what proves the device was read now and is equal
//	moment      the interlocks were read now, are good and true; the value that
//	            stands there was read within the last 5 s
//	value       within limits, step and type; what rounding would change is refused
//	shown       point, station, address, from and to in units and raw, what it may start
//	confirmed   by the point's name; serves once, for 60 s, for exactly what was shown
//	logged      the audit line is on the disk before a byte leaves
//	sent        once; after an unknown outcome the point is read back, never written again
//	read-back   the point shows the value in time, or the write failed
//	pulse       the release is armed before the press leaves, and tried again
//	several     all are checked before the first is sent; the first failure stops the rest
//	broadcast   by a flag of its own, naming every station, each read afterwards
//	never       nothing here starts by itself: no write at start-up, on reconnect,
//	            from a page, a broker or a simulated station
//
// Only this package makes permits, and only a permit lets a link change a
// station; a test reads the sources for that. The gate opens nothing: the link,
// the log, the person's answers and the clock are given to it. It is no safety
// function and must not be used as one.
package gate
