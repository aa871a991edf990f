package main

import (
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// behindGateway says whether a line's units are told apart behind its
// connection, so that an answer of another unit is refused: where there are
// several stations, or one whose number means something. A station that is
// connected itself has the number 255 or 0, and most take 1; it may answer with
// another. Source: TCP guide V1.0b, 4.4.1.3; that it is often 1 is common practice.
func behindGateway(l *line.Line) bool {
	if l.Framing != line.MBAP {
		return false
	}
	for _, s := range l.Stations {
		if s.Unit > 1 && s.Unit != regmap.Unit(255) {
			return true
		}
	}
	return len(l.Stations) > 1
}

// connectedDirectly says whether the stations of an RTU or ASCII line in a
// network are connected themselves, with no serial line behind: none has a
// number that a station on a serial line may have. In doubt it is false, and
// what is owed by a serial line outlives the connection.
// Source: Modbus over Serial Line V1.02, 2.2 (1 to 247; 248 to 255 are reserved).
func connectedDirectly(l *line.Line) bool {
	if l.Framing == line.MBAP || l.Serial != (line.Serial{}) {
		return false
	}
	for _, s := range l.Stations {
		if s.Unit <= 247 {
			return false
		}
	}
	return len(l.Stations) > 0
}
