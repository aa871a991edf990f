package simdevice

import (
	"fmt"
	"sort"
	"sync"

	"plumbline/regmap"
	"plumbline/simdevice/process"
)

// A Bank is the contents of one unit: the four tables of its map, sparse, raw.
// It is regmap.Contents, and safe for concurrent use: a request, a snapshot
// and a publication each happen at one moment.
//
// Overlapping points share their contents; whether the tables do is the
// device's choice (V1.1b3, 4.3), and here they do not.
type Bank struct {
	device   *regmap.Map
	layout   *regmap.Layout
	identity identity
	sources  []source

	stepping sync.Mutex      // held through a step; never asked for under mu
	process  process.Process // nil: none; under stepping
	seen     Snapshot        // what a step finds; under stepping
	sets     []Set           // what it publishes; under stepping

	mu      sync.RWMutex
	tables  [len(regmap.Tables) + 1]table
	scratch []uint16 // contents that a request would store; under mu
	staged  []uint16 // the same while they are judged; under mu
	undo    []undone // what a publication has changed so far; under mu
}

// table is the mapped contents of one table, its spans one after another.
type table struct {
	spans    []regmap.Span // as the layout lists them: ascending and apart
	begin    []int         // where each span's contents begin in cells
	cells    []uint16      // contents; coils and discrete inputs 0 or 1
	writable []uint16      // which bits of each cell a client may write
	limited  []limited     // points with limits
}

// undone is one cell's contents before a publication.
type undone struct {
	table regmap.Table
	cell  int
	raw   uint16
}

// NewBank makes the contents of one unit from its map, with its `simulate:`
// block where the map was loaded with the Simulate section: points hold what
// the block gives them at time 0, all others raw 0. The error is Step's.
func NewBank(m *regmap.Map) (*Bank, error) {
	b := &Bank{device: m, layout: m.Layout(), identity: newIdentity(m)}
	for _, t := range regmap.Tables {
		b.tables[t] = newTable(b.layout.Mapped(t))
	}
	for p := range m.Readings {
		b.allow(p)
	}
	if s, ok := m.Blocks[SimulateKey].(*Simulation); ok {
		b.sources = s.sources
		if s.model != nil {
			b.process = s.model.New()
		}
	}
	if err := b.publishSources(); err != nil {
		return nil, err
	}
	if err := b.Step(0); err != nil {
		return nil, err
	}
	return b, nil
}

func newTable(spans []regmap.Span) table {
	t := table{spans: spans, begin: make([]int, len(spans))}
	cells := 0
	for i, s := range spans {
		t.begin[i] = cells
		cells += s.Count
	}
	t.cells, t.writable = make([]uint16, cells), make([]uint16, cells)
	return t
}

// Map is the map that the bank was made from.
func (b *Bank) Map() *regmap.Map { return b.device }

// run is the contents from address a to the end of its span, and how many
// addresses that is. Between spans there are no contents: cells is nil and n
// the way to the next span, or 0 behind the last.
func (t *table) run(a int) (cells []uint16, n int) {
	i := sort.Search(len(t.spans), func(i int) bool { return t.spans[i].End() > a })
	if i == len(t.spans) {
		return nil, 0
	}
	if first := int(t.spans[i].First); a < first {
		return nil, first - a
	}
	from := t.begin[i] + a - int(t.spans[i].First)
	n = t.spans[i].End() - a
	return t.cells[from : from+n], n
}

// cell is where the contents of a mapped address lie; -1 for any other.
func (t *table) cell(a int) int {
	i := sort.Search(len(t.spans), func(i int) bool { return t.spans[i].End() > a })
	if i == len(t.spans) || a < int(t.spans[i].First) {
		return -1
	}
	return t.begin[i] + a - int(t.spans[i].First)
}

// span is where the contents of a wholly mapped span lie; nil when it is not.
func (t *table) span(s regmap.Span) []uint16 {
	cells, n := t.run(int(s.First))
	if n < s.Count {
		return nil
	}
	return cells[:min(s.Count, len(cells))]
}

// AppendRaw appends what a read of the span finds now, all of one moment; the
// addresses of a bridged gap are zero. It says whether the station answers
// such a read at all; if not, dst comes back as it was.
func (b *Bank) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if !b.layout.Answers(s) {
		return dst, false
	}
	b.mu.RLock()
	defer b.mu.RUnlock()
	return b.tables[s.Table].append(dst, s), true
}

// append appends a span that the layout answers.
func (t *table) append(dst []uint16, s regmap.Span) []uint16 {
	for a := int(s.First); a < s.End(); {
		cells, n := t.run(a)
		n = min(n, s.End()-a)
		if cells != nil {
			dst = append(dst, cells[:n]...)
		} else {
			dst = append(dst, make([]uint16, n)...)
		}
		a += n
	}
	return dst
}

// A Snapshot is the contents of a bank at one moment. It does not change.
type Snapshot struct {
	layout *regmap.Layout
	tables [len(regmap.Tables) + 1]table
}

// Snapshot copies the contents of one moment.
func (b *Bank) Snapshot() *Snapshot {
	s := new(Snapshot)
	b.copyInto(s)
	return s
}

// copyInto makes a snapshot in the place of an older one.
func (b *Bank) copyInto(s *Snapshot) {
	s.layout = b.layout
	b.mu.RLock()
	defer b.mu.RUnlock()
	for t := range b.tables {
		cells := s.tables[t].cells[:0]
		s.tables[t] = b.tables[t]
		s.tables[t].cells = append(cells, b.tables[t].cells...)
	}
}

// AppendRaw is Bank.AppendRaw at the snapshot's moment.
func (s *Snapshot) AppendRaw(dst []uint16, span regmap.Span) ([]uint16, bool) {
	if !s.layout.Answers(span) {
		return dst, false
	}
	return s.tables[span.Table].append(dst, span), true
}

// Set is a point of the bank's map and the value that it is to show, in
// engineering units.
type Set struct {
	Point *regmap.Point
	Value regmap.Value
}

// Publish gives points their values, all at one moment and in the order given:
// no request sees some of them old and some new. The map's `write` and its
// limits bind clients, not Publish. With an error (regmap.ErrKind,
// regmap.ErrRange, or a point that is not the map's) nothing is published.
func (b *Bank) Publish(sets ...Set) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.undo = b.undo[:0]
	for _, s := range sets {
		if err := b.put(s); err != nil {
			for i := len(b.undo) - 1; i >= 0; i-- {
				u := b.undo[i]
				b.tables[u.table].cells[u.cell] = u.raw
			}
			return err
		}
	}
	return nil
}

// put codes one value into the cells of its point, noting what it changes.
func (b *Bank) put(s Set) error {
	p := s.Point
	if p == nil || b.device.Point(p.Name) != p {
		return fmt.Errorf("%w of map %q", ErrPoint, b.device.Device)
	}
	cells := b.tables[p.Table].span(p.Span())
	if cells == nil {
		return fmt.Errorf("%s: %w: it has no registers", p.Name, ErrPoint)
	}
	coded, cause := p, regmap.NoCause
	if p.Exponent != nil { // with the power of ten that its register holds now
		if coded, cause = p.Fixed(underLock{b}); cause != regmap.NoCause {
			return fmt.Errorf("%s: %w: its exponent register holds no power of ten (%s)", p.Name, regmap.ErrRange, cause)
		}
	}
	var buf [4]uint16
	raw, err := coded.AppendRaw(buf[:0], s.Value, cells)
	if err != nil {
		return err
	}
	first := b.tables[p.Table].cell(int(p.Address))
	for i, w := range raw {
		b.undo = append(b.undo, undone{p.Table, first + i, cells[i]})
		cells[i] = w
	}
	return nil
}

// underLock is a bank whose lock the caller holds.
type underLock struct{ *Bank }

func (b underLock) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if !b.layout.Answers(s) {
		return dst, false
	}
	return b.tables[s.Table].append(dst, s), true
}

// Value is what the point's contents mean now.
func (b *Bank) Value(p *regmap.Point) regmap.Value { return p.Value(b) }

var (
	_ regmap.Contents = (*Bank)(nil)
	_ regmap.Contents = (*Snapshot)(nil)
)
