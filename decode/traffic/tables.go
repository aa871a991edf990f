package traffic

import (
	"fmt"
	"time"

	"plumbline/regmap/paper"
)

// mostShownRanges bounds the table of ranges in a report; what lies beyond is
// said below it.
const mostShownRanges = 200

// rangeTable is one row a unit, function and address range.
func (s *State) rangeTable(all []Finding) paper.Table {
	t := paper.Table{Columns: []paper.Column{
		{Head: "Unit", Align: paper.AlignRight}, {Head: "Request", Weight: 2}, {Head: "Count", Align: paper.AlignRight},
		{Head: "Period", Align: paper.AlignRight}, {Head: "Jitter", Align: paper.AlignRight}, {Head: "Answer", Align: paper.AlignRight},
		{Head: "Problem"},
	}}
	ranges := s.rangesWith(all)
	for _, r := range ranges[:min(len(ranges), mostShownRanges)] {
		t.Rows = append(t.Rows, []paper.Entry{
			{Text: fmt.Sprint(r.Unit), Number: true}, {Text: r.words}, {Text: fmt.Sprint(r.Count), Number: true},
			{Text: orDash(r.Period)}, {Text: orDash(r.Jitter)}, {Text: orDash(r.Mean)}, {Text: r.Problem},
		})
	}
	if n := len(ranges) - mostShownRanges; n > 0 {
		t.Title = fmt.Sprintf("The first %d of %d ranges", mostShownRanges, len(ranges))
	}
	return t
}

// orDash is a time, or a dash for none.
func orDash(d time.Duration) string {
	if d == 0 {
		return "-"
	}
	return span(d)
}

// writeTable is the writes that are kept.
func (s *State) writeTable() paper.Table {
	t := paper.Table{Columns: []paper.Column{
		{Head: "Time"}, {Head: "Unit", Align: paper.AlignRight}, {Head: "What", Weight: 2}, {Head: "From"}, {Head: "To"}, {Head: "Confirmed", Weight: 1},
	}}
	list := s.writes.list()
	for _, w := range list {
		confirmed := "yes"
		if !w.Taken {
			confirmed = "no: " + w.How
		}
		t.Rows = append(t.Rows, []paper.Entry{
			{Text: moment(w.At)}, {Text: fmt.Sprint(w.Unit), Number: true}, {Text: w.What}, {Text: w.From}, {Text: w.To}, {Text: confirmed},
		})
	}
	if n := s.writes.count - uint64(len(list)); n > 0 {
		t.Title = fmt.Sprintf("%d writes; %d between the first %d and the last %d are not kept", s.writes.count, n, firstWrites, latestWrites)
	}
	return t
}

// Writes are the writes that are kept, in their order: the first 16 and the
// latest 48.
func (s *State) Writes() []Write { return s.writes.list() }
