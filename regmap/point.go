package regmap

import (
	"math/big"
	"time"

	"plumbline/regmap/derive"
	"plumbline/regmap/doc"
)

// A Point is one named quantity of a device: where it lies, how its bits are
// read, and what they mean. Points do not change after loading. The zero Point
// is not valid.
//
// A named bit or bit field of a word is a Point of its own, with the word's
// name, a dot and its own name, and Part set.
type Point struct {
	Name    string // its key in the map file; "state.healthy" for a named bit
	Tag     string // the tag on the drawing
	About   string
	Table   Table
	Address Address
	Type    Type
	Order   Order
	Count   int // registers or bits that it takes
	Length  int // characters, for strings
	Part    Part
	Inverse bool // active when 0
	Fields  []Point

	Scale    Scale
	Exponent *Exponent       // the register of its power of ten; nil: none
	Formula  *derive.Formula // worked out of other points; nil: read from registers
	inputs   []*Point        // of Formula, in its order
	Signal   bool            // the raw span is 4 to 20 mA
	Units    string
	Range    *Range // what the quantity can be; nil: not said
	Decimals int    // digits shown after the point; -1: what the scale resolves
	Values   []Named
	Absent   []uint64 // contents that mean 'no value', at full width after ordering

	Write     *Write // nil: read only
	Alarm     *Alarm // nil: none
	AlarmBit  bool   // alarm when active
	Overlay   bool   // may lie over other points
	Counter   bool
	Every     time.Duration // 0: as the line says
	Together  string        // points of one name are read in one request
	OnRead    bool          // changes by being read: read alone, never repeated
	Heartbeat time.Duration // it changes at least so often, or its device is not alive; 0: no limit
	Within    time.Duration // it changes at least so often; 0: no limit
	Terminal  string        // where its wire ends
	Owner     string        // who answers for it
	Reference Reference     // as written; zero where an address was written

	Pos doc.Pos // where the map declares it

	judged *judged // both worked out when the map was loaded
	quick  quick
}

// Exponent is a register that holds the power of ten of a point's scale, -10
// to 10, read in the same request.
type Exponent struct{ Span Span }

// Part is some of the bits of a word: Low the least significant one counted
// from 0, Width how many. The zero Part is the whole word.
type Part struct{ Low, Width uint8 }

// Range is what a quantity can be, engineering units, both ends included. A
// value outside is uncertain, out of span.
type Range struct{ Low, High *big.Rat }

// Named is a name for one value of a point.
type Named struct {
	Value *big.Rat
	Name  string
}

// Write says how a point may be written.
type Write struct {
	Min, Max, Step *big.Rat      // engineering units; nil: not limited
	Hold           time.Duration // pulse: how long it is held; 0: no pulse
	Function       int           // 6 or 16 (5 or 15 for coils); 0: what fits
	By             string        // bits: "mask" or "read-modify-write"; ""
	OnlyWhen       []Condition
	ReadBack       string // the point to read back; "": the point itself
	Outside        Outside
}

// Condition is an interlock: a point and the value that it must show.
type Condition struct{ Point, Value string }

// Outside is what a station does with a value beyond min or max.
type Outside uint8

// The four ways a station meets a value beyond its limits.
const (
	OutsideLimit Outside = iota // takes the nearest limit
	OutsideIgnore
	OutsideAccept
	OutsideRefuse // answers exception 04
)

// OutsideNames are the names of Outside in map files, in its order.
var OutsideNames = []string{"limit", "ignore", "accept", "refuse"}

// Alarm is a point's alarm limits, engineering units; nil: none.
type Alarm struct {
	HighHigh, High, Low, LowLow *big.Rat
	Deadband                    *big.Rat
	Delay, OffDelay             time.Duration
	Latch                       bool
}

// Span is the addresses that the point takes.
func (p *Point) Span() Span { return Span{Table: p.Table, First: p.Address, Count: p.Count} }

// Needs is the addresses that a value of the point takes: its own, and those
// from or to its exponent.
func (p *Point) Needs() Span {
	s := p.Span()
	if e := p.Exponent; e != nil {
		first, end := min(s.First, e.Span.First), max(s.End(), e.Span.End())
		s.First, s.Count = first, end-int(first)
	}
	return s
}

// Derived says whether the point is worked out of others and has no registers
// of its own: no table, and a count of 0.
func (p *Point) Derived() bool { return p.Formula != nil }

// Inputs are the points that a derived point is worked out of.
func (p *Point) Inputs() []*Point { return p.inputs }

// Writable says whether the map allows writing the point.
func (p *Point) Writable() bool { return p.Write != nil }

// Contents is anything register contents can be taken from: a bank, an answer,
// a capture, a look.
type Contents interface {
	// AppendRaw appends the contents of the span, one element an item (bits
	// as 0 or 1), and says whether all of it is there; if not, dst comes back
	// as it was.
	AppendRaw(dst []uint16, s Span) ([]uint16, bool)
}
