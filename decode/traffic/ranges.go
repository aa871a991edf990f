package traffic

import (
	"cmp"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Bounds on ranges; ours. What comes beyond them is counted as one row for
// each unit and function.
const (
	mostRows       = 512
	mostRowsOfUnit = 128
	mostCodes      = 4 // exceptions told apart in one range
)

// A key is what makes two requests equal, but for what they write.
type key struct {
	unit     regmap.Unit
	function frame.Function
	first    regmap.Address // of 08 the sub-function, of 2B type and code
	count    int
	beyond   bool // one of those that are not kept apart
}

// keyOf is a request's key.
func keyOf(u regmap.Unit, q frame.Request) key {
	k := key{unit: u, function: q.Function, first: q.Address, count: q.Quantity}
	switch q.Function {
	case frame.Diagnostics:
		k.first = regmap.Address(q.SubFunction)
	case frame.EncapsulatedInterface:
		k.first = regmap.Address(q.MEI)<<8 | regmap.Address(q.Code)
	}
	return k
}

// A row is what was seen of one unit, function and address range.
type row struct {
	key
	span    regmap.Span // what it reads or, if it reads nothing, writes; zero for neither
	reads   bool
	request frame.Request // one of them, without data

	exchanges, answered, lost uint64
	repeats                   uint64 // sent again after no good answer
	whole                     struct{ sum, most time.Duration }
	times                     times
	memory                    memory
	codes                     []codeSeen
	kept                      evidence
	ends                      decode.Stamp
	open                      bool // its last exchange was not answered
}

// codeSeen is one exception code of a range.
type codeSeen struct {
	code frame.Exception
	kept evidence
}

// row finds or makes the row of an exchange.
func (s *State) row(u *unit, x *decode.Exchange) *row {
	k := keyOf(x.Unit, x.Request)
	if r := s.rows[k]; r != nil {
		return r
	}
	if len(s.rows) >= mostRows || u.rows >= mostRowsOfUnit {
		k = key{unit: k.unit, function: k.function, beyond: true}
		if r := s.rows[k]; r != nil {
			return r
		}
	} else {
		u.rows++
	}
	r := &row{key: k}
	if !k.beyond {
		r.request = x.Request
		r.request.Data = nil
		if r.span, r.reads = x.Request.Reads(); !r.reads {
			r.span, _ = x.Request.Writes()
		}
	}
	s.rows[k] = r
	at, _ := slices.BinarySearchFunc(s.order, k, func(r *row, k key) int { return r.key.compare(k) })
	s.order = slices.Insert(s.order, at, r)
	return r
}

// compare orders keys by unit, function and address, those beyond the bounds
// last of their function.
func (k key) compare(o key) int {
	beyond := map[bool]int{true: 1}
	return cmp.Or(cmp.Compare(k.unit, o.unit), cmp.Compare(k.function, o.function), cmp.Compare(beyond[k.beyond], beyond[o.beyond]),
		cmp.Compare(k.first, o.first), cmp.Compare(k.count, o.count))
}

// rowsOf are the rows of a unit, in order.
func (s *State) rowsOf(u regmap.Unit) []*row {
	from, _ := slices.BinarySearchFunc(s.order, u, func(r *row, u regmap.Unit) int { return cmp.Compare(r.unit, u) })
	to := from
	for to < len(s.order) && s.order[to].unit == u {
		to++
	}
	return s.order[from:to]
}

// add counts one exchange of the range; again says that it repeats the one
// before, which was not answered.
func (r *row) add(x *decode.Exchange, from time.Duration, again bool) {
	r.exchanges++
	r.ends = x.Done
	r.open = !heard(x)
	if x.Tries > 1 {
		r.repeats += uint64(x.Tries - 1)
	}
	if again {
		r.repeats++
	} else if !r.beyond {
		r.times.add(from)
	}
	switch {
	case x.Answered():
		r.answered++
		took := x.Done.Sub(x.Left)
		r.whole.sum += took
		r.whole.most = max(r.whole.most, took)
		if r.reads {
			r.memory.add(x, r.span)
		}
	case x.Cause == regmap.Excepted:
		r.code(x)
	default:
		r.lost++
	}
	r.kept.add(x, float64(x.Done.Sub(began(x))))
}

// code counts an exception.
func (r *row) code(x *decode.Exchange) {
	e := x.Response.Exception
	i := slices.IndexFunc(r.codes, func(c codeSeen) bool { return c.code == e })
	if i < 0 {
		if len(r.codes) == mostCodes {
			i = mostCodes - 1
		} else {
			r.codes = append(r.codes, codeSeen{code: e})
			i = len(r.codes) - 1
		}
	}
	r.codes[i].kept.add(x, 0)
}

// latestTimes is how many of the latest intervals are kept for the period.
const latestTimes = 64

// times are the intervals between equal requests.
type times struct {
	set         bool
	last        time.Duration
	count       uint64
	least, most time.Duration
	latest      [latestTimes]time.Duration // a ring
}

func (t *times) add(at time.Duration) {
	if !t.set {
		t.set, t.last = true, at
		return
	}
	d := max(at-t.last, 0)
	t.last = at
	if t.count == 0 {
		t.least, t.most = d, d
	}
	t.least, t.most = min(t.least, d), max(t.most, d)
	t.latest[t.count%latestTimes] = d
	t.count++
}

// inOrder are the latest intervals, oldest first.
func (t *times) inOrder() []time.Duration {
	n := min(t.count, latestTimes)
	out := make([]time.Duration, 0, n)
	for i := t.count - n; i < t.count; i++ {
		out = append(out, t.latest[i%latestTimes])
	}
	return out
}

// period is the median of the latest intervals, jitter how far nine in ten of
// them lie apart; both are 0 for less than two requests.
func (t *times) period() (period, jitter time.Duration) {
	d := t.inOrder()
	if len(d) == 0 {
		return 0, 0
	}
	slices.Sort(d)
	n := len(d)
	return d[n/2], d[(n-1)*95/100] - d[(n-1)*5/100]
}
