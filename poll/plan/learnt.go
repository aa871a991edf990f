package plan

import "plumbline/regmap"

// A Learnt is what a line taught about its stations: points that they refuse,
// places that must not be read across, and how much they give at a time. The
// zero Learnt knows nothing.
//
// How a poller comes to know: a refused request (exception 02 or 03; V1.1b3, 7)
// is asked again in two parts of its items. A part of one item that is refused
// is Refused. Where both parts answer, the two items on either side of the
// border are asked for in one request: if that is refused, the border is Cut;
// if it answers, the whole was too long, and Limit is told how long the longer
// of the two parts was. Then the plan is made anew.
type Learnt struct {
	cuts    map[cut]bool
	refused map[refusal]bool
	limits  map[limit]int
}

// refusal is a point that a unit does not have.
type refusal struct {
	unit  regmap.Unit
	point *regmap.Point
}

// Refuse remembers that the unit refuses a point on its own: it is left out of
// the plan, and no request is read over it.
func (l *Learnt) Refuse(u regmap.Unit, p *regmap.Point) {
	if l.refused == nil {
		l.refused = map[refusal]bool{}
	}
	l.refused[refusal{u, p}] = true
}

// Allow takes a refusal back.
func (l *Learnt) Allow(u regmap.Unit, p *regmap.Point) { delete(l.refused, refusal{u, p}) }

// cut is a border that no request may cross, in front of an address.
type cut struct {
	unit  regmap.Unit
	table regmap.Table
	at    regmap.Address
}

// Cut remembers that a read of the unit's table may not run from below address
// at to at or beyond.
func (l *Learnt) Cut(u regmap.Unit, t regmap.Table, at regmap.Address) {
	if l.cuts == nil {
		l.cuts = map[cut]bool{}
	}
	l.cuts[cut{u, t, at}] = true
}

// limit is a table of which a unit gives fewer items than its map says.
type limit struct {
	unit  regmap.Unit
	table regmap.Table
}

// Limit remembers that the unit gives at most n items of the table in one
// answer. The least of what it is told holds; an n below 1 counts as 1.
func (l *Learnt) Limit(u regmap.Unit, t regmap.Table, n int) {
	if l.limits == nil {
		l.limits = map[limit]int{}
	}
	if known, ok := l.limits[limit{u, t}]; !ok || n < known {
		l.limits[limit{u, t}] = max(n, 1)
	}
}

// most is how many items of a table one request to the unit may ask for, where
// the map allows mapped.
func (l *Learnt) most(u regmap.Unit, t regmap.Table, mapped int) int {
	if known, ok := l.limits[limit{u, t}]; ok {
		return min(known, mapped)
	}
	return mapped
}

// refuses says whether the unit refuses the point.
func (l *Learnt) refuses(u regmap.Unit, p *regmap.Point) bool {
	return len(l.refused) > 0 && l.refused[refusal{u, p}]
}
