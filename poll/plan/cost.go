package plan

import (
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Assumptions of a network line's cost: the round trip where the line file
// gives no latency, and the wire's speed.
const (
	assumedRoundTrip = time.Millisecond
	networkBitRate   = 100_000_000 // bit/s
)

// Cost is the line time of one read: what it keeps the line busy, with the
// silences, the assumed latency and the pause.
func Cost(l *line.Line, s *line.Station, span regmap.Span) time.Duration {
	data := dataBytes(span)
	timing := s.Timing
	switch {
	case l.Medium != line.SerialPort:
		trip := timing.Latency
		if trip == 0 {
			trip = assumedRoundTrip
		}
		// Request 12 bytes, answer 9 and its data (TCP guide 3.1.3).
		return trip + time.Duration(8*(12+9+data))*time.Second/networkBitRate
	case l.Framing == line.ASCII:
		// Request 17 characters, answer 11 and two a data byte (serial guide 2.5.2).
		return time.Duration(17+11+2*data)*frame.CharTime(l.Serial, line.ASCII) + timing.Latency + timing.Pause
	}
	// Request 8 characters, answer 5 and its data, a silence after each
	// (serial guide 2.5.1).
	return time.Duration(8+5+data)*frame.CharTime(l.Serial, line.RTU) + 2*frame.Gap35(l.Serial) + timing.Latency + timing.Pause
}

func dataBytes(span regmap.Span) int {
	if span.Table.Bits() {
		return (span.Count + 7) / 8
	}
	return 2 * span.Count
}
