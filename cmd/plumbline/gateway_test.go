package main

import (
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Source: TCP guide V1.0b, 4.4.1.3 (255, or 0, for a station connected itself);
// Modbus over Serial Line V1.02, 2.2 (1 to 247 on a serial line).
func TestWhatIsBehindTheConnection(t *testing.T) {
	for _, row := range []struct {
		framing         line.Framing
		serial          line.Serial
		units           []regmap.Unit
		gateway, direct bool
	}{
		{line.MBAP, line.Serial{}, []regmap.Unit{255}, false, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{0}, false, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{1}, false, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{17}, true, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{254}, true, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{1, 2}, true, false},
		{line.MBAP, line.Serial{}, []regmap.Unit{1, 255}, true, false},
		{line.RTU, line.Serial{}, []regmap.Unit{1}, false, false},
		{line.RTU, line.Serial{}, []regmap.Unit{247}, false, false},
		{line.RTU, line.Serial{}, []regmap.Unit{255}, false, true},
		{line.ASCII, line.Serial{}, []regmap.Unit{248}, false, true},
		{line.ASCII, line.Serial{}, []regmap.Unit{248, 3}, false, false},
		{line.RTU, line.DefaultSerial("port"), []regmap.Unit{248}, false, false},
	} {
		l := &line.Line{Framing: row.framing, Serial: row.serial}
		for _, u := range row.units {
			l.Stations = append(l.Stations, line.Station{Unit: u})
		}
		if g, d := behindGateway(l), connectedDirectly(l); g != row.gateway || d != row.direct {
			t.Errorf("%s, units %v: gateway %v, direct %v; want %v, %v", row.framing, row.units, g, d, row.gateway, row.direct)
		}
	}
}
