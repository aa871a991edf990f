package segment

import (
	"testing"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// BenchmarkTalk segments a talk with 5 % of its frames disturbed, beside frame
// by frame the least that a reader does who is told every border: check and
// parse. The ratio says what it costs not to know the borders.
func BenchmarkTalk(b *testing.B) {
	g := newGenerator(41, line.RTU, 0.05)
	g.run(200_000)
	b.SetBytes(int64(len(g.stream)))
	b.ReportAllocs()
	for b.Loop() {
		s := New(Settings{Framing: line.RTU}, func(Piece) {})
		s.Feed(g.stream, decode.Stamp{})
		s.Flush()
	}
}

// BenchmarkTold is the peer of BenchmarkTalk.
func BenchmarkTold(b *testing.B) {
	g := newGenerator(41, line.RTU, 0.05)
	g.run(200_000)
	b.SetBytes(int64(len(g.stream)))
	for b.Loop() {
		for _, f := range g.sent {
			adu, err := frame.ParseADU(line.RTU, g.stream[f.at:f.at+f.length])
			switch {
			case err != nil:
			case f.answer:
				_, _ = frame.ParseResponse(adu.PDU)
			default:
				_, _ = frame.ParseRequest(adu.PDU)
			}
		}
	}
}
