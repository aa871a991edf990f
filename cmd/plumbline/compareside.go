package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/agree"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
	"plumbline/regmap/sheet"
)

// A side is one of the two that are compared: a map, or a list made into one.
type side struct {
	name string
	m    *regmap.Map
	list *sheet.Result // nil for a map
}

// loadMap reads one map file; its faults are the error.
func loadMap(file string) (*regmap.Map, error) {
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, unreadable(err)
	}
	rep := new(doc.Report)
	m := regmap.Load(file, text, rep, sections()...)
	if m == nil {
		return nil, verdict{exitUsage, rep.Err()}
	}
	return m, nil
}

// openSides reads both sides. Questions about a list are asked, and nothing is
// compared before they are answered.
func openSides(errOut io.Writer, oldFile, newFile string, f importFlags) (older, newer *side, err error) {
	if older, err = openSide(oldFile, f); err != nil {
		return nil, nil, err
	}
	if newer, err = openSide(newFile, f); err != nil {
		return nil, nil, err
	}
	if older.list == nil && newer.list == nil && (f.countFrom != "" || len(f.columns) > 0 || f.worksheet != "") {
		return nil, nil, notUnderstood("--count-from, --column and --worksheet are about lists, and both files are maps")
	}
	for _, s := range []*side{older, newer} {
		if s.m == nil {
			s.tell(errOut)
			err = verdict{code: exitUsage}
		}
	}
	return older, newer, err
}

// openSide reads a map, or a list and makes a map of it; the map is nil while
// questions about the list are open.
func openSide(file string, f importFlags) (*side, error) {
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, unreadable(err)
	}
	if !isList(file, text) {
		m, err := loadMap(file)
		return &side{name: file, m: m}, err
	}
	o, err := f.options()
	if err != nil {
		return nil, err
	}
	r, err := readSources([]string{file}, f, o)
	if err != nil {
		return nil, notUnderstood("%w", err)
	}
	s := &side{name: file, list: r}
	if r.Map == nil {
		return s, nil
	}
	rep := new(doc.Report)
	if s.m = regmap.Load(file, r.Map, rep, sections()...); s.m == nil {
		return nil, verdict{exitUsage, rep.Err()}
	}
	return s, nil
}

// isList says whether a file is one that import reads: a workbook, JSON, or by
// its ending a CSV list. Everything else is read as a map.
// Source: ZIP, APPNOTE 4.3.7 (the mark of a workbook).
func isList(file string, text []byte) bool {
	known := slices.Contains([]string{".csv", ".tsv", ".txt", ".xlsx", ".json", ".jsonld"}, strings.ToLower(filepath.Ext(file)))
	return known || bytes.HasPrefix(text, []byte("PK\x03\x04")) || json.Valid(text) && (sheet.IsModel(text) || bytes.Contains(text, []byte(`"properties"`)))
}

// tell says what became of a list: how it was taken, what was left out, what is
// asked.
func (s *side) tell(w io.Writer) {
	if s.list == nil {
		return
	}
	line := func(format string, args ...any) {
		fmt.Fprintln(w, paper.Text(s.name+": "+fmt.Sprintf(format, args...)))
	}
	for _, n := range s.list.Notes {
		line("%s", n)
	}
	for _, l := range s.leftOut() {
		line("left out: %s: %s (%s)", l.Place, l.Reason, l.Text)
	}
	for _, q := range s.list.Questions {
		line("question: %s", q)
	}
	if s.m == nil && len(s.list.Questions) == 0 {
		line("nothing of it can be read as a point")
	}
}

// leftOut is what of a list did not become a point though it may matter.
func (s *side) leftOut() []compareLeftOut {
	out := []compareLeftOut{}
	if s.list != nil {
		for _, l := range s.list.LeftOut {
			if !l.Harmless {
				out = append(out, compareLeftOut{s.name, l.Place, l.Text, l.Reason})
			}
		}
	}
	return out
}

func (s *side) incomplete() bool { return s.list != nil && s.list.Incomplete() }

// taken is the row of a list that became a point; nil for a map or none.
func (s *side) taken(point string) *sheet.Taken {
	if s.list == nil {
		return nil
	}
	at := slices.IndexFunc(s.list.Points, func(p sheet.Taken) bool { return p.Point == point })
	if at < 0 {
		return nil
	}
	return &s.list.Points[at]
}

// row is where a list says a point; "" for a map or none.
func (s *side) row(point string) string {
	if t := s.taken(point); t != nil {
		return t.Place
	}
	return ""
}

// where is the place of a point: the line of a map, the row of a list.
func (s *side) where(point string, line int) string {
	if s.list != nil || line == 0 {
		return s.row(point)
	}
	return fmt.Sprintf("line %d", line)
}

// assumptions are what a list does not say of a difference's point, as far as
// how it is read may rest on them.
func assumptions(older, newer *side, d agree.Difference) (out []string) {
	if d.Weight != agree.Breaks {
		return nil
	}
	for _, t := range []*sheet.Taken{older.taken(d.Was), newer.taken(d.Point)} {
		if t != nil {
			out = append(out, t.Assumed...)
		}
	}
	return out
}

// differencesOf compares both sides. What a list does not speak of is left
// out; dropped are those keys of which the other side says something.
func differencesOf(older, newer *side) (differences []agree.Difference, dropped []string) {
	differences = agree.Compare(older.m, newer.m)
	for _, s := range []*side{older, newer} {
		if s.list == nil || s.list.Kind != "register list" || s.list.Own {
			continue
		}
		var more []string
		differences, more = agree.Without(differences, agree.Unsaid(s.m), s == newer)
		differences = slices.DeleteFunc(differences, func(d agree.Difference) bool { return d.Point == "" })
		dropped = append(dropped, more...)
	}
	slices.Sort(dropped)
	return differences, slices.Compact(dropped)
}
