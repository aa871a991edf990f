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
	q := frame.Read(span.Table, span.First, span.Count)
	timing := s.Timing
	if l.Medium == line.SerialPort {
		return frame.LineTime(q, l.Serial, l.Framing) + timing.Latency + timing.Pause
	}
	trip := timing.Latency
	if trip == 0 {
		trip = assumedRoundTrip
	}
	answer, _ := frame.AnswerLength(q)
	bytes := frame.ADULength(line.MBAP, frame.RequestLength(q)) + frame.ADULength(line.MBAP, answer)
	return trip + time.Duration(8*bytes)*time.Second/networkBitRate
}
