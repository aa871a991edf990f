package regmap

import (
	"encoding/hex"
	"strings"
)

// A Map says what one kind of device holds. It says nothing about wires. Maps
// do not change after loading; the points stand in the order of the file.
type Map struct {
	Device, About, Revision, Date, Author string
	Agreed                                []Agreement
	Points                                []Point // whole words; their named bits are in Point.Fields
	Digest                                Digest  // of the source text
	Source                                []byte  // the source text
	File                                  string

	// Blocks holds what the sections given to Load made of the blocks they
	// own, by key.
	Blocks map[string]any

	layout *Layout
	index  map[string]*Point
	broken map[string]bool // of a map with faults: the points that have them
	blind  bool            // of a map with faults: some names cannot be known
}

// Agreement is who agreed to the map, for which side, and when.
type Agreement struct{ Who, For, Date string }

// Digest is the SHA-256 of a source text.
type Digest [32]byte

// String is the digest in lower-case hex.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// Layout says which addresses of the device answer.
func (m *Map) Layout() *Layout { return m.layout }

// Point finds a point or named bit by its name; nil when there is none.
func (m *Map) Point(name string) *Point { return m.index[name] }

// Names says whether the file names a point or named bit. It differs from Point
// only while sections read their blocks of a file that has faults: then the map
// has the points without faults, and a name that it lacks may be one of the
// others.
func (m *Map) Names(name string) bool {
	word, _, _ := strings.Cut(name, ".")
	return m.Point(name) != nil || m.blind || m.broken[word]
}

// Readings walks everything that is a reading of its own, in the order of the
// file: each point, and after a word its named bits.
func (m *Map) Readings(yield func(*Point) bool) {
	for i := range m.Points {
		p := &m.Points[i]
		if !yield(p) {
			return
		}
		for j := range p.Fields {
			if !yield(&p.Fields[j]) {
				return
			}
		}
	}
}

// finish builds what is derived from the points.
func (m *Map) finish(limits Limits, holes []Span) {
	spans := make([]Span, 0, len(m.Points))
	m.index = make(map[string]*Point, len(m.Points))
	for p := range m.Readings {
		m.index[p.Name] = p
	}
	for i := range m.Points {
		p := &m.Points[i]
		if p.Derived() {
			for _, name := range p.Formula.Inputs() {
				p.inputs = append(p.inputs, m.index[name])
			}
			continue
		}
		spans = append(spans, m.Points[i].Span())
		if e := m.Points[i].Exponent; e != nil {
			spans = append(spans, e.Span)
		}
	}
	m.layout = NewLayout(spans, holes, limits)
	m.prepare()
}
