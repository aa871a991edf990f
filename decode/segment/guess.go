package segment

import (
	"cmp"
	"slices"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// A Share says how well a framing fits bytes.
type Share struct {
	Framing line.Framing
	Frames  int     // certain frames found
	Part    float64 // of the bytes, those in certain frames: 0 to 1
}

// Guess says how well RTU and ASCII fit bytes of a line, the better one first.
// Two shares of 0 mean that neither was heard, or that speed or parity is wrong.
func Guess(b []byte) []Share {
	var shares []Share
	for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
		share, covered := Share{Framing: f}, 0
		s := New(Settings{Framing: f}, func(p Piece) {
			if p.Kind == Frame && p.Certainty == Certain {
				share.Frames++
				covered += len(p.Bytes)
			}
		})
		s.Feed(b, decode.Stamp{})
		s.Flush()
		if len(b) > 0 {
			share.Part = float64(covered) / float64(len(b))
		}
		shares = append(shares, share)
	}
	slices.SortStableFunc(shares, func(a, b Share) int { return cmp.Compare(b.Part, a.Part) })
	return shares
}
