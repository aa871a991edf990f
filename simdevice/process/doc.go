// Package process is the plant behind a simulated station, and the controller
// beside it: a vessel with its pumps, a heated tank. A process moves in fixed
// steps of simulated time, which is an argument and never the clock on the
// wall: the same steps give the same results, at any speed and however the time
// to them is cut.
//
// It knows points, whose contents it reads and sets through an IO, and no
// frame, line or station.
package process

import (
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// An IO is the contents that a process stands beside, all of one moment.
type IO interface {
	Value(*regmap.Point) regmap.Value    // what the point holds
	Set(p *regmap.Point, v regmap.Value) // what it is to hold; all sets of a step take hold together
}

// A Process moves a plant on. It is for one goroutine.
type Process interface {
	// Step brings the plant to a time, counted from its beginning, and sets its
	// outputs; time that has passed already changes nothing. What the panel
	// wrote (set-points, commands) is read once, before the first of the fixed
	// steps on the way.
	Step(at time.Duration, io IO)
}

// A Model is a process as declared and checked, from which any number of
// processes can be made, each at its beginning.
type Model struct {
	Outputs []Output // the points that the process sets
	New     func() Process
}

// An Output is a point that a process sets, and where the file says so.
type Output struct {
	Point *regmap.Point
	Node  doc.Node
	Count bool // it counts on from what the point holds at the beginning
}

// A Kind is one kind of process that can be declared.
type Kind struct {
	Name, About string
	Shape       doc.Shape
	read        func(doc.Node, *site) *Model
}

// Kinds lists the kinds of process.
func Kinds() []Kind {
	return []Kind{
		{"vessel", "a vessel with inflow, up to four pumps, and their controller", vesselTable.Shape(), readVessel},
		{"heated-tank", "a tank with a heater, a thermostat and a stirrer", heatedTable.Shape(), readHeated},
	}
}

// Shape is what the block of a process may look like.
func Shape() doc.Shape {
	s := doc.Shape{Kind: doc.Either}
	for _, k := range Kinds() {
		s.Forms = append(s.Forms, k.Shape)
	}
	return s
}

// A Site is where a process stands: the device's map, and what its points hold
// at the beginning.
type Site struct {
	Map   *regmap.Map
	Start func(*regmap.Point) (regmap.Value, bool) // ok is false where nothing is said: raw 0
}

// Read reads the block of a process. Whatever is wrong goes to the report of
// the block's file; then the model is nil.
func Read(n doc.Node, at Site) *Model {
	before := n.Report().Count()
	if !n.IsMapping() {
		n.Fault("a process is a block of keys, kind among them")
		return nil
	}
	var names []string
	kinds := Kinds()
	for _, k := range kinds {
		names = append(names, k.Name)
	}
	kind := n.Get("kind")
	if !kind.Present() {
		n.Fault("kind is missing").Hint = "it is one of " + join(names)
		return nil
	}
	i, ok := kind.Choice(names)
	if !ok {
		return nil
	}
	s := &site{Site: at, outputs: map[*regmap.Point]bool{}}
	m := kinds[i].read(n, s)
	if n.Report().Count() > before {
		return nil
	}
	m.Outputs = s.list
	return m
}
