package gate

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A Shown is what a person is shown of one write before it is confirmed: all
// of it, and nothing else is sent.
type Shown struct {
	Point   *regmap.Point
	Targets []Target // one; for a broadcast every station of the line
	Unit    regmap.Unit
	To      regmap.Value
	RawTo   []uint16 // of the point's registers; of a bit's whole word
	Request frame.Request
	PDU     []byte
	Release []byte        // of a pulse: the PDU that ends it; nil for none
	Hold    time.Duration // of a pulse: how long it is held
	Starts  string        // what the map says the point does
	Notes   []string      // what else is to be known
}

// A Target is one station that a write is for.
type Target struct {
	Station  *line.Station
	From     decode.Reading // what stands there now
	Identity string         // how the device was known; empty when it was not
}

// A Question is one thing that must be confirmed.
type Question struct {
	Wants string // the text that confirms
	Also  string // another text that does; empty for none
	Why   string // what is confirmed by it, for people
	Shown Shown
}

// Name is the write's point with its station.
func (s Shown) Name() string {
	if len(s.Targets) == 0 {
		return s.Point.Name
	}
	return s.Targets[0].Station.Name + "/" + s.Point.Name
}

// Place is where the point lies, for people: "40033 (address 32)".
func (s Shown) Place() string { return s.Point.Span().String() }

// shownOf is a want before anything is known of it.
func shownOf(w Want) Shown {
	s := Shown{Point: w.Point, To: w.Value, Targets: []Target{{Station: w.Station}}}
	if w.Station != nil {
		s.Unit = w.Station.Unit
	}
	return s
}

// starts is what the map says the point does.
func starts(p *regmap.Point) string {
	if p.About == "" {
		return "the map does not say what this point does; know it before you go on"
	}
	return p.About
}

// digest is the identity of what was shown. The value that stands there counts
// as the point shows it: other bits of its word may change.
func (s Shown) digest() [32]byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%d %x %x %s", s.Unit, s.PDU, s.Release, s.Hold)
	for _, t := range s.Targets {
		fmt.Fprintf(&b, "\n%d %q %q %q %q", t.Station.Unit, t.Station.Name, s.Point.Name, t.Identity, contentOf(t.From.Value))
	}
	return sha256.Sum256([]byte(b.String()))
}

// contentOf is a value as text, one way only.
func contentOf(v regmap.Value) string {
	if on, ok := v.Bool(); ok {
		return fmt.Sprint(on)
	}
	if text, ok := v.Text(); ok {
		return "text " + text
	}
	if r := v.Rat(); r != nil {
		return r.RatString()
	}
	return v.Cause().String()
}
