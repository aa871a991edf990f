package sheet

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// station is the block of the station in software, which is a higher floor's
// to read.
var station = regmap.Section{Key: "simulate", Read: func(doc.Node, *regmap.Map) any { return nil }}

// settle writes the map and reads it back. What the map language refuses
// (points that share an address, exponents out of reach of one request) is
// taken out, with the words of the refusal.
func (r *Result) settle(source string) error {
	for {
		if len(r.items) == 0 && len(r.head.derived) == 0 {
			r.Map, r.Points = nil, nil // all that there was is left out
			return nil
		}
		r.Map = writeMap(r.head, r.items)
		rep := new(doc.Report)
		regmap.Load(source, r.Map, rep, station)
		if !rep.Bad() {
			r.take()
			return nil
		}
		if !r.mend(rep.Faults()) {
			err := rep.Faults()[0]
			r.Map = nil
			return sourceError(source, "the map made of it does not load: %s: %s", err.Path, err.Message)
		}
	}
}

// mend takes out what was refused; it says whether anything was.
func (r *Result) mend(faults []*doc.Fault) bool {
	why := map[string]*doc.Fault{}
	for _, f := range faults {
		if name, ok := strings.CutPrefix(f.Path, "points."); ok {
			name, _, _ = strings.Cut(name, ".")
			if why[name] == nil {
				why[name] = f
			}
		}
	}
	kept, mended := r.items[:0:0], false
	for _, it := range r.items {
		f := why[it.name]
		switch {
		case f == nil:
			kept = append(kept, it)
			continue
		case strings.HasPrefix(f.Path, "points."+it.name+".write.") && it.write != "{}":
			it.comments = append(it.comments, fmt.Sprintf("limits %s left out: %s", it.write, f.Message))
			it.write = "{}"
			kept = append(kept, it)
		case strings.HasPrefix(f.Path, "points."+it.name+".range") && it.drop("range", f.Message):
			kept = append(kept, it)
		default:
			r.leave(it.place, it.source, refusal(f), false)
			for _, p := range it.parts {
				r.leave(p.Place, p.Point, "a bit of the word in "+it.place+", which is left out", false)
			}
		}
		mended = true
	}
	r.items = kept
	return mended
}

// drop turns a further key that the map refuses into a comment.
func (it *item) drop(key, why string) bool {
	at := slices.IndexFunc(it.extra, func(p pair) bool { return p.key == key })
	if at >= 0 {
		it.comments = append(it.comments, fmt.Sprintf("%s %s left out: %s", key, it.extra[at].value, why))
		it.extra = slices.Delete(it.extra, at, at+1)
	}
	return at >= 0
}

// refusal is a fault in words that need no line of a file nobody has seen.
func refusal(f *doc.Fault) string {
	words, _, _ := strings.Cut(f.Message, " (line ")
	return words
}

func (r *Result) leave(place, text, reason string, harmless bool) {
	r.LeftOut = append(r.LeftOut, LeftOut{place, clean(text), reason, harmless})
}

func (r *Result) note(format string, args ...any) {
	if n := fmt.Sprintf(format, args...); !slices.Contains(r.Notes, n) {
		r.Notes = append(r.Notes, n)
	}
}

func (r *Result) ask(format string, args ...any) {
	r.Questions = append(r.Questions, fmt.Sprintf(format, args...))
}

// take lists the points that the map has.
func (r *Result) take() {
	r.Points = nil
	for _, it := range r.items {
		r.Points = append(r.Points, Taken{it.name, it.place, it.assumed})
		for _, p := range it.parts {
			r.Points = append(r.Points, Taken{it.name + "." + p.Point, p.Place, p.Assumed})
		}
	}
}
