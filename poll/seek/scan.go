package seek

import (
	"context"
	"slices"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// The most items of one read. Source: V1.1b3, 6.1 and 6.3.
const (
	mostRegisters = 125
	mostBits      = 2000
)

// tables are scanned in this order: those that most devices have come first
// (common practice).
var tables = [...]regmap.Table{regmap.HoldingRegister, regmap.InputRegister, regmap.Coil, regmap.DiscreteInput}

func (c *Scan) bound() int {
	if c.Requests > 0 {
		return c.Requests
	}
	return DefaultRequests
}

// A TableScan is where answers are in one table of a unit.
type TableScan struct {
	Table     regmap.Table
	Answers   []regmap.Span   // addresses that answer, ascending
	Open      []regmap.Span   // refused as a whole, and not looked into: the bound was reached
	Limit     int             // the most items that the unit gives at a time; 0: no lower one was met
	Absent    bool            // the unit does not have the function
	Requests  int             // sent for it
	Exception frame.Exception // the first refusal; 0: none
}

// scan looks for addresses in each table of a unit.
func (s *seeker) scan(ctx context.Context, u *Unit) error {
	s.words = "addresses"
	for _, t := range tables {
		w := &sweep{seeker: s, unit: u, TableScan: TableScan{Table: t}, size: mostRegisters}
		if t.Bits() {
			w.size = mostBits
		}
		w.Open = []regmap.Span{{Table: t, First: s.Scan.First, Count: int(s.Scan.Last) - int(s.Scan.First) + 1}}
		err := w.run(ctx)
		slices.SortFunc(w.Open, func(a, b regmap.Span) int { return int(a.First) - int(b.First) })
		w.Open = merged(w.Open)
		u.Tables = append(u.Tables, w.TableScan)
		if err != nil {
			return err
		}
	}
	return nil
}

// A sweep is the search through one table. What is still to be looked into
// stands in Open.
type sweep struct {
	*seeker
	TableScan
	unit *Unit
	size int // of the longest read
}

// run takes one span after another until all is known or the bound is reached.
func (w *sweep) run(ctx context.Context) error {
	for len(w.Open) > 0 && w.Requests < w.Scan.bound() && !w.Absent {
		s := w.take()
		var err error
		if s.Count > w.size {
			w.chop(s)
		} else {
			err = w.look(ctx, s)
		}
		if err != nil {
			w.Open = append(w.Open, s)
			return err
		}
	}
	return nil
}

// Maps begin low and points lie together (common practice): of two spans the
// lower one is looked into first unless the other is much longer, and what is
// close to an answer as if it were longer. The figures are ours.
const (
	lowReach    = 32
	closeBy     = 32
	closeWeight = 4
)

// take takes the span with the most weight, of equal ones the lowest.
func (w *sweep) take() regmap.Span {
	best := 0
	for i, s := range w.Open {
		a, b := w.weight(s), w.weight(w.Open[best])
		if a > b || a == b && s.First < w.Open[best].First {
			best = i
		}
	}
	s := w.Open[best]
	w.Open = slices.Delete(w.Open, best, best+1)
	return s
}

func (w *sweep) weight(s regmap.Span) float64 {
	weight := float64(s.Count) / float64(int(s.First)-int(w.Scan.First)+lowReach)
	for _, a := range w.Answers {
		if s.End() == int(a.First) {
			return regmap.TableSize // the answers may reach down into it
		}
		if max(int(s.First)-a.End(), int(a.First)-s.End()) <= closeBy {
			return closeWeight * weight
		}
	}
	return weight
}

// chop cuts a span into reads.
func (w *sweep) chop(s regmap.Span) {
	for s.Count > 0 {
		n := min(w.size, s.Count)
		w.Open = append(w.Open, regmap.Span{Table: s.Table, First: s.First, Count: n})
		s = rest(s, n)
	}
}

// rest is a span without its first n items.
func rest(s regmap.Span, n int) regmap.Span {
	return regmap.Span{Table: s.Table, First: s.First + regmap.Address(n), Count: s.Count - n}
}

// verdict is how a read ended.
type verdict uint8

const (
	refused verdict = iota
	answered
	unclear // neither: nothing is concluded
)

// read asks for a span.
func (w *sweep) read(ctx context.Context, s regmap.Span) (verdict, error) {
	if w.Requests >= w.Scan.bound() {
		return unclear, nil
	}
	w.Requests++
	w.left -= w.Interval
	r, err := w.ask(ctx, w.unit.Number, frame.Read(s.Table, s.First, s.Count))
	if err != nil {
		return unclear, err
	}
	switch {
	case r.Class == Answer:
		w.Answers = merged(append(w.Answers, s))
		return answered, nil
	case r.Class != Refusal:
		return unclear, nil
	}
	if w.Exception == 0 {
		w.Exception = r.Response.Exception
	}
	switch r.Response.Exception {
	case frame.IllegalFunction:
		w.Absent = len(w.Answers) == 0
		return unclear, nil
	case frame.IllegalDataAddress, frame.IllegalDataValue:
		return refused, nil
	}
	return unclear, nil
}

// look asks for a span, and where it is refused finds what of it answers: how
// far the answers reach from its first item on, and the rest by halves.
func (w *sweep) look(ctx context.Context, s regmap.Span) error {
	v, err := w.read(ctx, s)
	switch {
	case err != nil, v == answered, w.Absent:
		return err
	case v == unclear:
		return w.putBack(s)
	case s.Count == 1:
		return nil
	}
	first := regmap.Span{Table: s.Table, First: s.First, Count: 1}
	v, err = w.read(ctx, first)
	switch {
	case err != nil:
		return err
	case v == unclear:
		return w.putBack(s)
	case v == answered:
		return w.reach(ctx, s)
	}
	w.halve(rest(s, 1))
	return nil
}

// putBack leaves a span open when the bound is reached; otherwise nothing more
// can be learnt of it, and it is not asked again.
func (w *sweep) putBack(s regmap.Span) error {
	if w.Requests >= w.Scan.bound() {
		w.Open = append(w.Open, s)
	}
	return nil
}

// halve opens the two halves of a span that is not known to answer.
func (w *sweep) halve(s regmap.Span) {
	half := (s.Count + 1) / 2
	for _, part := range []regmap.Span{{Table: s.Table, First: s.First, Count: half}, rest(s, half)} {
		if part.Count > 0 {
			w.Open = append(w.Open, part)
		}
	}
}

// reach finds by bisection how many items from the first on answer together.
// Where the next one answers alone it was no hole that ended them, but the most
// that the unit gives at a time.
func (w *sweep) reach(ctx context.Context, s regmap.Span) error {
	good, bad := 1, s.Count
	for bad-good > 1 {
		middle := (good + bad) / 2
		v, err := w.read(ctx, regmap.Span{Table: s.Table, First: s.First, Count: middle})
		switch {
		case err != nil:
			return err
		case v == answered:
			good = middle
		case v == refused:
			bad = middle
		default:
			w.Open = append(w.Open, rest(s, good))
			return nil
		}
	}
	next := rest(s, good)
	v, err := w.read(ctx, regmap.Span{Table: s.Table, First: next.First, Count: 1})
	switch {
	case err != nil:
		return err
	case v == unclear:
		w.Open = append(w.Open, next)
		return nil
	case v == answered:
		w.Limit, w.size = good, good
	}
	if next = rest(next, 1); next.Count > 0 {
		w.Open = append(w.Open, next)
	}
	return nil
}

// merged joins the spans that touch or overlap, ascending.
func merged(spans []regmap.Span) []regmap.Span {
	slices.SortFunc(spans, func(a, b regmap.Span) int { return int(a.First) - int(b.First) })
	var out []regmap.Span
	for _, s := range spans {
		if n := len(out); n > 0 && int(s.First) <= out[n-1].End() {
			out[n-1].Count = max(out[n-1].End(), s.End()) - int(out[n-1].First)
			continue
		}
		out = append(out, s)
	}
	return out
}
