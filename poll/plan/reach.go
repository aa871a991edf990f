package plan

import (
	"slices"
	"sort"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A field is how far requests of one table of a station may run.
type field struct {
	most     int       // items of one request
	barriers []barrier // ascending and apart
}

// A barrier is a run of addresses that no request touches. An empty one is a
// border that no request crosses.
type barrier struct{ first, end int }

// fieldOf collects what bounds the requests of a table: runs of unmapped
// addresses beyond the gap and declared holes, points that are refused or
// change by being read, and learnt borders.
func fieldOf(s *line.Station, t regmap.Table, learnt *Learnt) field {
	layout := s.Map.Layout()
	f := field{most: learnt.most(s.Unit, t, layout.MostRead(t))}
	mapped := layout.Mapped(t)
	for i := 1; i < len(mapped); i++ {
		if end, next := mapped[i-1].End(), int(mapped[i].First); !layout.Bridges(t, end, next) {
			f.barriers = append(f.barriers, barrier{end, next})
		}
	}
	for i := range s.Map.Points {
		p := &s.Map.Points[i]
		if p.Table == t && (p.OnRead || learnt.refuses(s.Unit, p) || layout.InHole(p.Span())) {
			f.barriers = append(f.barriers, barrier{int(p.Address), p.Span().End()})
		}
	}
	for c := range learnt.cuts {
		if c.unit == s.Unit && c.table == t {
			f.barriers = append(f.barriers, barrier{int(c.at), int(c.at)})
		}
	}
	f.join()
	return f
}

// join sorts the barriers and joins those that overlap.
func (f *field) join() {
	slices.SortFunc(f.barriers, func(a, b barrier) int {
		if a.first != b.first {
			return a.first - b.first
		}
		return b.end - a.end
	})
	out := f.barriers[:0]
	for _, b := range f.barriers {
		if n := len(out); n > 0 && (b.first < out[n-1].end || b == out[n-1]) {
			out[n-1].end = max(out[n-1].end, b.end)
			continue
		}
		out = append(out, b)
	}
	f.barriers = out
}

// reach is the farthest end of a request that begins at address a; a itself
// where none may begin. It never falls while a rises, save inside a barrier.
func (f *field) reach(a int) int {
	end := min(a+f.most, regmap.TableSize)
	i := sort.Search(len(f.barriers), func(i int) bool { return f.barriers[i].end > a })
	if i < len(f.barriers) {
		end = min(end, max(a, f.barriers[i].first))
	}
	return end
}

// fits says whether one request may read the span.
func (f *field) fits(s regmap.Span) bool { return s.End() <= f.reach(int(s.First)) }
