package simdevice

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// verbRow is what a verb reads behind it, which tails it may have, what it
// does, and how that is said.
type verbRow struct {
	tails int
	read  func(w *lineWords, o *order)
	do    func(f *Faults, o *order) error
}

// Tails of the faults of points and of those of whole answers.
const (
	tailsOfPoint = tailFor | tailWith | tailUnit
	tailsOfUnit  = tailsOfPoint | tailFunction | tailTouching
)

// verbRows are the verbs by their words.
var verbRows = rowsOfVerbs()

func rowsOfVerbs() map[string]verbRow {
	point := func(w *lineWords, o *order) { o.point = w.next("a point") }
	return map[string]verbRow{
		"=":      {tailsOfPoint, nil, (*Faults).set},
		"freeze": {tailsOfPoint, point, (*Faults).ofPoint},
		"tear":   {tailsOfPoint, point, (*Faults).ofPoint},
		"swap":   {tailsOfPoint, point, (*Faults).ofPoint},
		"wrap":   {tailFor | tailUnit, point, (*Faults).ofPoint},
		"reset":  {tailFor | tailUnit, point, (*Faults).ofPoint},
		"jump": {tailsOfPoint, func(w *lineWords, o *order) {
			point(w, o)
			w.need("by")
			o.rats = []*big.Rat{ratOf(w, w.next("a number"))}
		}, (*Faults).ofPoint},
		"span": {tailsOfPoint, func(w *lineWords, o *order) {
			point(w, o)
			low, high, _ := strings.Cut(w.next("LOW..HIGH"), "..")
			o.rats = []*big.Rat{ratOf(w, low), ratOf(w, high)}
		}, (*Faults).ofPoint},
		"silence": {tailsOfUnit, func(w *lineWords, o *order) {
			if n := w.peek(); n != "" && strings.Trim(n, "0123456789") == "" {
				o.on = w.unit()
			}
		}, (*Faults).ofUnit},
		"exceptions": {tailsOfUnit, func(w *lineWords, o *order) { o.code = frame.Exception(w.hex("an exception", 1, 0x0B)) }, (*Faults).ofUnit},
		"shift": {tailsOfUnit, func(w *lineWords, o *order) {
			w.need("by")
			o.by = w.whole("shift", -65535, 65535)
		}, (*Faults).ofUnit},
		"outside": {tailFor, func(w *lineWords, o *order) {
			if o.how = w.next("one of " + strings.Join(regmap.OutsideNames, ", ")); w.fault == nil && !slices.Contains(regmap.OutsideNames, o.how) {
				w.fail("outside %.60q is none of %s", o.how, strings.Join(regmap.OutsideNames, ", "))
			}
		}, (*Faults).setOutside},
		"clients": {tailFor, func(w *lineWords, o *order) { o.by = w.whole("clients", 1, DefaultClients) }, (*Faults).setClients},
		"fault":   {0, func(*lineWords, *order) {}, (*Faults).addRules},
		"release": {0, func(w *lineWords, o *order) {
			if o.how = w.next("a point, unit N, outside, clients, fault or all"); o.how == "unit" {
				o.on = w.unit()
			} else if n := strings.Trim(o.how, "0123456789"); n == "" && o.how != "" {
				w.left, o.how = append([]string{o.how}, w.left...), "unit"
				o.on = w.unit()
			}
		}, (*Faults).release},
	}
}

// words say what a line does.
func (o *order) words() string {
	what := map[string]string{
		"=": o.point + " shows " + o.value, "freeze": o.point + " stands still", "tear": o.point + " is torn between two reads",
		"swap": "the registers of " + o.point + " are the other way round", "wrap": o.point + " is about to roll over",
		"reset": o.point + " counts from 0", "jump": o.point + " jumps", "span": o.point + " has another span",
		"silence": o.unitWords() + " silent", "exceptions": o.unitWords() + fmt.Sprintf(" refusing with exception %s", o.code),
		"shift": o.unitWords() + fmt.Sprintf(" answering from %+d addresses further on", o.by), "outside": "writes beyond limits: " + o.how,
		"clients": fmt.Sprintf("no more than %d connections are taken", o.by), "fault": "faults on the way of the answers: " + strings.TrimSpace(strings.ReplaceAll(o.rule.String(), "\n", "; ")),
		"release": "released: " + o.how,
	}[o.verb]
	if o.shows != "" {
		what = o.shows
	}
	if o.of != 0 {
		what += fmt.Sprintf(", function %02X only", byte(o.of))
	}
	if o.touch != "" {
		what += ", where " + o.touch + " is touched"
	}
	if o.chance != 0 {
		what += ", with " + o.chance.String()
	}
	if o.length > 0 {
		what += " for " + o.length.String()
	}
	return what
}

func (o *order) unitWords() string {
	if len(o.units) == 1 {
		return fmt.Sprintf("unit %d is", o.units[0])
	}
	return "all units are"
}

// scope is the requests that the line is for.
func (o *order) scope() Scope {
	s := Scope{Function: o.of}
	if len(o.units) == 1 {
		s.Unit = o.units[0]
	}
	if o.first != nil {
		s.Span, s.Reads = o.first.Span(), o.point != ""
	}
	return s
}

// troubles makes one fault for each unit of the line.
func (f *Faults) troubles(o *order, make func(b *Bank, p *regmap.Point, t *trouble) error) error {
	var all []*trouble
	for _, u := range o.units {
		b := f.station.banks[u]
		t := &trouble{scope: Scope{Unit: u, Function: o.of}, chance: o.chance, length: o.length, said: o.words()}
		if o.first != nil {
			p := b.device.Point(o.point + o.touch) // one of them is empty
			t.scope.Span = p.Span()
			if o.point != "" {
				t.point = p
			}
		}
		if err := make(b, t.point, t); err != nil {
			return err
		}
		all = append(all, t)
	}
	for _, t := range all {
		if err := f.put(t); err != nil {
			return err
		}
	}
	return nil
}

// set gives a point a value: stored once where a client may write it, else held.
func (f *Faults) set(o *order) error {
	return f.ofContents(o, func(b *Bank, p *regmap.Point) (func([]uint16), error) {
		v, err := f.means(p, strings.TrimSpace(strings.TrimSuffix(o.value, " "+p.Units)))
		if err != nil {
			return nil, err
		}
		now, _ := b.AppendRaw(nil, p.Span())
		raw, err := p.AppendRaw(nil, v, now)
		if err != nil {
			return nil, err
		}
		o.shows = fmt.Sprintf("%s shows %s; it held %s", p.Name, shownWith(p, p.ValueOf(raw)), shownWith(p, p.ValueOf(now)))
		if p.Writable() && o.length == 0 && o.chance == 0 {
			return nil, b.Publish(Set{p, v})
		}
		return holding(raw), nil
	})
}

func shownWith(p *regmap.Point, v regmap.Value) string {
	return strings.TrimSpace(p.Shown(v) + " " + p.Units)
}

// ofContents makes faults of a point's contents; a nil change needs none.
func (f *Faults) ofContents(o *order, changes func(b *Bank, p *regmap.Point) (func([]uint16), error)) error {
	f.drop(func(t *trouble) bool { // held before: the latest word holds
		return o.verb == "=" && t.point != nil && t.point.Name == o.point && slices.Contains(o.units, t.scope.Unit) && t.held
	})
	var err error
	var kept []regmap.Unit
	byUnit := map[regmap.Unit]func([]uint16){}
	for _, u := range o.units {
		c, e := changes(f.station.banks[u], f.station.banks[u].device.Point(o.point))
		if e != nil {
			err = e
			break
		}
		if c != nil {
			byUnit[u], kept = c, append(kept, u)
		}
	}
	if err != nil {
		return err
	}
	part := *o
	part.units = kept
	return f.troubles(&part, func(_ *Bank, _ *regmap.Point, t *trouble) error {
		t.changes, t.held = byUnit[t.scope.Unit], o.verb == "=" || o.verb == "freeze"
		return nil
	})
}

// ofPoint puts a fault on a point's contents.
func (f *Faults) ofPoint(o *order) error {
	return f.troubles(o, func(b *Bank, p *regmap.Point, t *trouble) (err error) {
		now, _ := b.AppendRaw(nil, p.Span())
		switch o.verb {
		case "freeze":
			for _, old := range f.all { // as it is shown, not as it is
				if old.point == p && old.held {
					old.changes(now)
				}
			}
			t.changes, t.held = holding(now), true
			o.shows = fmt.Sprintf("%s stands still at %s", p.Name, shownWith(p, p.ValueOf(now)))
		case "tear", "swap":
			if p.Count < 2 {
				return fmt.Errorf("%s has one register; only wider points can be torn or swapped", p.Name)
			}
			if t.changes = slices.Reverse[[]uint16]; o.verb == "tear" {
				t.changes = tearing(t)
			}
		case "jump":
			if p.ValueOf(now).Rat() == nil && p.Type == regmap.TypeString {
				return fmt.Errorf("%s holds a text; only numbers jump", p.Name)
			}
			t.changes = jumping(t, o.rats[0])
		case "span":
			t.changes, err = ranged(p, o.rats[0], o.rats[1])
		case "wrap":
			t.changes, err = counting(p, now, func(largest *big.Int) *big.Int { return largest })
		case "reset":
			t.changes, err = counting(p, now, func(*big.Int) *big.Int { return new(big.Int) })
		}
		return err
	})
}

// ofUnit puts a fault on the answers of units.
func (f *Faults) ofUnit(o *order) error {
	return f.troubles(o, func(_ *Bank, _ *regmap.Point, t *trouble) error {
		switch o.verb {
		case "silence":
			t.answers = silent
		case "exceptions":
			t.answers = refusing(o.code)
		default:
			t.answers = shifted(o.by)
		}
		return nil
	})
}

func (f *Faults) setOutside(o *order) error {
	how := regmap.Outside(slices.Index(regmap.OutsideNames, o.how))
	f.station.SetOutside(&how)
	f.until(o.length, func() {
		if f.station.outside.Load() == &how {
			f.station.SetOutside(nil)
		}
	})
	return nil
}

func (f *Faults) setClients(o *order) error {
	f.station.refuse.Store(int64(o.by))
	f.until(o.length, func() { f.station.refuse.CompareAndSwap(int64(o.by), 0) })
	return nil
}

// addRules puts rules on the way of the answers, behind those that are there.
func (f *Faults) addRules(o *order) error {
	if len(o.rule.Rules) == 0 {
		return fmt.Errorf("a rule is wanted, such as `answers: delay 300ms with 5%%`")
	}
	for _, r := range o.rule.Rules {
		if r.Direction != fault.Answers {
			return fmt.Errorf("%q: the station's faults are of answers", r)
		}
	}
	all := append(slices.Clone(f.rules), o.rule.Rules...)
	l, err := newLanes(fault.Script{Seed: f.seed, Rules: all})
	if err != nil {
		return err
	}
	f.rules = all
	f.station.setLanes(l)
	return nil
}

// release takes faults off.
func (f *Faults) release(o *order) error {
	n := 0
	switch o.how {
	case "all":
		f.releaseAll()
		return nil
	case "outside":
		f.station.SetOutside(nil)
		return nil
	case "clients":
		f.station.refuse.Store(0)
		return nil
	case "fault":
		f.rules = nil
		f.station.setLanes(nil)
		return nil
	case "unit":
		o.how = fmt.Sprintf("unit %d", *o.on)
		n = f.drop(func(t *trouble) bool { return t.scope.Unit == *o.on && t.answers != nil })
	default:
		n = f.drop(func(t *trouble) bool { return t.point != nil && t.point.Name == o.how })
	}
	if n == 0 {
		return fmt.Errorf("no fault is on %.60s", o.how)
	}
	return nil
}

// drop takes off those that are meant and says how many they were.
func (f *Faults) drop(meant func(*trouble) bool) int {
	before := len(f.all)
	f.all = slices.DeleteFunc(slices.Clone(f.all), meant)
	f.install()
	return before - len(f.all)
}
