package traffic

import (
	"cmp"
	"slices"

	"plumbline/decode"
)

// Rank is how bad a finding is. The zero Rank is a remark.
type Rank uint8

// The ranks, mildest first.
const (
	Remark Rank = iota // worth knowing, nothing is wrong
	Cost               // works, and costs time
	Loss               // exchanges are lost
	Wrong              // nothing comes, or values may be wrong
)

// String is the rank for people.
func (r Rank) String() string { return [...]string{"remark", "cost", "loss", "wrong"}[min(r, Wrong)] }

// A Finding is something concluded about a line, with its rank and the
// exchanges that it rests on, as far as they are kept.
type Finding struct {
	decode.Finding
	Rank      Rank
	Exchanges []*decode.Exchange
	weight    float64 // among findings of one rank and claim, the greater the worse
	rows      []key   // ranges that it is about
}

// Trouble says whether something is wrong, and likely so at least.
func (f *Finding) Trouble() bool { return f.Rank > Remark && f.Claim >= decode.Likely }

// rules are all findings, each a function over the state in a file of its own.
var rules = []func(*State) []Finding{
	portGone,
	silentUnits,
	unanswered,
	damagedAnswers,
	lateAnswers,
	timeLimit,
	pauseNeeded,
	retriesNeeded,
	exceptionsSeen,
	repeatedRequests,
	twoClients,
	twoStations,
	echo,
	noise,
	outsideMap,
	shiftedRanges,
	tornValues,
	adjacentReads,
	steadyBits,
	frozenValues,
	writesSeen,
	tooEarly,
	tooFast,
	neverAsked,
	toldByOthers,
}

// Findings are what can be concluded now, the worst first: by rank, then how
// sure, then how much. They change nothing in the state.
func (s *State) Findings() []Finding {
	var all []Finding
	for _, rule := range rules {
		all = append(all, rule(s)...)
	}
	for i := range all {
		f := &all[i]
		f.Exchanges = ordered(f.Exchanges...)
		if len(f.Exchanges) > 0 {
			f.Evidence = nil
			for _, x := range f.Exchanges {
				f.Evidence = append(f.Evidence, x.ID)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Finding) int {
		return cmp.Or(-cmp.Compare(a.Rank, b.Rank), -cmp.Compare(a.Claim, b.Claim), -cmp.Compare(a.weight, b.weight))
	})
	return all
}

// Trouble says whether any finding is trouble.
func Trouble(all []Finding) bool {
	return slices.ContainsFunc(all, func(f Finding) bool { return f.Trouble() })
}

// each walks the units seen, by number.
func (s *State) each(yield func(*unit) bool) {
	for _, u := range s.units {
		if u != nil && !yield(u) {
			return
		}
	}
}

// reads are the ranges of a unit that are read, in order.
func (s *State) reads(n *unit) (out []*row) {
	for _, r := range s.rowsOf(n.number) {
		if r.reads && !r.beyond {
			out = append(out, r)
		}
	}
	return out
}
