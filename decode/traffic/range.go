package traffic

import (
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// A Range is what was asked of one unit, function and address range. What lies
// beyond the bounds of a State is one range for each unit and function, with a
// quantity of 0.
type Range struct {
	Unit     regmap.Unit
	Function frame.Function
	Address  regmap.Address
	Quantity int
	Count    uint64
	Answered uint64
	Repeats  uint64        // of unanswered requests
	Period   time.Duration // median of the latest 64 intervals; 0: asked once
	Jitter   time.Duration // how far nine in ten of them lie apart
	Mean     time.Duration // of the answers' times, to their last byte
	Most     time.Duration
	Mapped   bool   // the map has all of it; false without a map
	Problem  string // code of the worst finding about it, or of what it lacks; "" for none
	words    string
}

// Ranges are all ranges asked, by unit, function and address.
func (s *State) Ranges() []Range { return s.rangesWith(s.Findings()) }

func (s *State) rangesWith(all []Finding) []Range {
	problems := map[key]string{}
	for _, f := range all {
		for _, k := range f.rows {
			if problems[k] == "" && f.Rank > Remark {
				problems[k] = f.Code
			}
		}
	}
	rows := s.order
	out := make([]Range, 0, len(rows))
	for _, r := range rows {
		x := Range{
			Unit: r.unit, Function: r.function, Address: r.first, Quantity: r.span.Count, Count: r.exchanges,
			Answered: r.answered, Repeats: r.repeats, Most: r.whole.most, Problem: problems[r.key], words: r.words(),
		}
		x.Period, x.Jitter = r.times.period()
		if r.answered > 0 {
			x.Mean = r.whole.sum / time.Duration(r.answered)
		}
		if m := s.config.deviceMap(r.unit); m != nil && r.span.Count > 0 {
			x.Mapped = m.Layout().Answers(r.span)
		}
		if x.Problem == "" && r.lost > 0 {
			x.Problem = "unanswered"
		}
		out = append(out, x)
	}
	return out
}
