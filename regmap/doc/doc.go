// Package doc reads the YAML files that people write for plumbline: a walker
// driven by tables of fields, which finds every fault in one run and names
// each by file, line, column and path.
//
// It is the one door to the YAML library and lets none of its types out. It
// knows nothing of points or lines: the tables that say which keys there are
// belong to the packages that own the files. The library's own conversions
// are never used, because they take 010 for 8, 1.9 for 1 and nothing for 0.
package doc

import "fmt"

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
