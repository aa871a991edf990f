package traffic

import (
	"cmp"
	"slices"

	"plumbline/decode"
)

// evidence keeps a few of the exchanges that a finding rests on: the first,
// the last two and the worst. The zero evidence is empty.
type evidence struct {
	count uint64
	first *decode.Exchange
	last  [2]*decode.Exchange
	worst *decode.Exchange
	by    float64 // how bad the worst is
}

// mostEvidence is the most exchanges that one evidence keeps.
const mostEvidence = 4

func (e *evidence) add(x *decode.Exchange, bad float64) {
	e.count++
	if e.first == nil {
		e.first = x
	}
	e.last[0], e.last[1] = e.last[1], x
	if e.worst == nil || bad > e.by {
		e.worst, e.by = x, bad
	}
}

// exchanges are what it keeps, each once, in their order.
func (e *evidence) exchanges() []*decode.Exchange {
	return ordered(e.first, e.worst, e.last[0], e.last[1])
}

// ordered gives exchanges in the order of their numbers, each once.
func ordered(all ...*decode.Exchange) []*decode.Exchange {
	var out []*decode.Exchange
	for _, x := range all {
		if x != nil && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b *decode.Exchange) int {
		return cmp.Or(cmp.Compare(a.ID.Source, b.ID.Source), cmp.Compare(a.ID.Number, b.ID.Number))
	})
	return out
}

// since is when the first of them was asked.
func (e *evidence) since() decode.Stamp {
	if e.first == nil {
		return decode.Stamp{}
	}
	return began(e.first)
}

// began is when an exchange began, as far as its stamps tell.
func began(x *decode.Exchange) decode.Stamp {
	switch {
	case !x.Asked.IsZero():
		return x.Asked
	case !x.Left.IsZero():
		return x.Left
	}
	return x.Done
}
