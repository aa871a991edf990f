// Package doc reads the YAML files that people write for plumbline: a walker
// driven by tables of fields, which finds every fault in one run and names
// each by file, line, column and path.
//
// It is the one door to the YAML library and lets none of its types out. It
// knows nothing of points or lines: the tables that say which keys there are
// belong to the packages that own the files. The library's own conversions
// are never used, because they take 010 for 8, 1.9 for 1 and nothing for 0.
package doc

import (
	"fmt"
	"sort"
	"strings"
)

// A Pos is a place in a file. Lines and columns count from 1, columns in
// characters. The zero Pos is no place.
type Pos struct {
	File         string
	Line, Column int
}

// String is "file:line:column"; the file alone where there is no line.
func (p Pos) String() string {
	if p.Line == 0 {
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// A Fault is one thing wrong in a file, or a warning about it.
type Fault struct {
	Pos     Pos    // of the key or value itself, not its parent
	Path    string // the same place as a path: points.flow.type
	Message string // what was found, and what is allowed
	Hint    string // what to do, when it is known
	Err     error  // cause for errors.Is, or nil
}

// Error is the fault on one line, its place first.
func (f *Fault) Error() string {
	s := f.Pos.String() + ": "
	if f.Path != "" {
		s += f.Path + ": "
	}
	s += f.Message
	if f.Hint != "" {
		s += "; " + f.Hint
	}
	return s
}

// Unwrap is the cause.
func (f *Fault) Unwrap() error { return f.Err }

// A Report collects the faults and warnings of one run over one or more files.
// The zero Report is empty and ready.
type Report struct {
	faults, warnings []*Fault
}

// Faults lists what is wrong, by file in the order read, then by place.
func (r *Report) Faults() []*Fault { return sorted(r.faults) }

// Warnings lists what is doubtful, in the same order.
func (r *Report) Warnings() []*Fault { return sorted(r.warnings) }

// Bad says whether there is any fault.
func (r *Report) Bad() bool { return len(r.faults) > 0 }

// Add appends a fault that has no node, such as a file that cannot be parsed.
func (r *Report) Add(f Fault) *Fault {
	r.faults = append(r.faults, &f)
	return &f
}

// Merge adds the faults and warnings of another report behind its own.
func (r *Report) Merge(o *Report) {
	r.faults = append(r.faults, o.faults...)
	r.warnings = append(r.warnings, o.warnings...)
}

// Err is all faults as one error, nil for none.
func (r *Report) Err() error {
	if !r.Bad() {
		return nil
	}
	return Faults(r.Faults())
}

// Faults are several faults as one error.
type Faults []*Fault

// mostShown is how many faults one message lists; the rest are counted.
const mostShown = 100

// Error is a line for each of the first 100 faults, and the number of the rest.
func (fs Faults) Error() string {
	var lines []string
	for i, f := range fs {
		if i == mostShown {
			lines = append(lines, fmt.Sprintf("and %d more faults", len(fs)-i))
			break
		}
		lines = append(lines, f.Error())
	}
	return strings.Join(lines, "\n")
}

func sorted(fs []*Fault) []*Fault {
	order := map[string]int{}
	for _, f := range fs {
		if _, ok := order[f.Pos.File]; !ok {
			order[f.Pos.File] = len(order)
		}
	}
	out := append([]*Fault(nil), fs...)
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i].Pos, out[j].Pos
		if a.File != b.File {
			return order[a.File] < order[b.File]
		}
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	return out
}
