package doc

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// A Report collects the faults and warnings of one run over one or more files.
// The zero Report is empty and ready. It is for one goroutine.
type Report struct {
	order            map[string]int // files in the order read
	faults, warnings list
}

// Faults lists what is wrong, by file in the order read, then by place. The
// list is not to be changed.
func (r *Report) Faults() []*Fault { return r.faults.sorted(r.before) }

// Warnings lists what is doubtful, in the same order.
func (r *Report) Warnings() []*Fault { return r.warnings.sorted(r.before) }

// Count is the number of faults.
func (r *Report) Count() int { return r.faults.len() }

// Bad says whether there is any fault.
func (r *Report) Bad() bool { return r.Count() > 0 }

// Add appends a fault that has no node, such as a file that cannot be parsed.
func (r *Report) Add(f Fault) *Fault {
	r.see(f.Pos.File)
	r.faults.add(&f)
	return &f
}

// Warn appends a warning that has no node.
func (r *Report) Warn(f Fault) *Fault {
	r.see(f.Pos.File)
	r.warnings.add(&f)
	return &f
}

// Merge adds the faults and warnings of another report behind its own.
func (r *Report) Merge(o *Report) {
	for _, f := range o.Faults() {
		r.see(f.Pos.File)
		r.faults.add(f)
	}
	for _, f := range o.Warnings() {
		r.see(f.Pos.File)
		r.warnings.add(f)
	}
}

// Err is all faults as one error, nil for none.
func (r *Report) Err() error {
	if !r.Bad() {
		return nil
	}
	return Faults(r.Faults())
}

// see keeps the order in which files are first met.
func (r *Report) see(file string) {
	if _, ok := r.order[file]; ok {
		return
	}
	if r.order == nil {
		r.order = make(map[string]int)
	}
	r.order[file] = len(r.order)
}

// before compares two places.
func (r *Report) before(a, b *Fault) int {
	if c := r.order[a.Pos.File] - r.order[b.Pos.File]; c != 0 {
		return c
	}
	if c := a.Pos.Line - b.Pos.Line; c != 0 {
		return c
	}
	return a.Pos.Column - b.Pos.Column
}

// list is faults, sorted as far as done; those added since wait behind. Files
// are read from top to bottom, so most additions need no sorting: a file with
// a fault on each of its 100,000 lines must not be sorted 100,000 times.
type list struct {
	done, waiting []*Fault
}

func (l *list) len() int { return len(l.done) + len(l.waiting) }

func (l *list) add(f *Fault) { l.waiting = append(l.waiting, f) }

func (l *list) sorted(before func(a, b *Fault) int) []*Fault {
	if len(l.waiting) > 0 {
		slices.SortStableFunc(l.waiting, before)
		if n := len(l.done); n > 0 && before(l.done[n-1], l.waiting[0]) > 0 {
			l.done = slices.Concat(l.done, l.waiting) // lists given away stay as they are
			slices.SortStableFunc(l.done, before)
		} else {
			l.done = append(l.done, l.waiting...)
		}
		l.waiting = nil
	}
	return l.done[:len(l.done):len(l.done)]
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

// Unwrap gives errors.Is and errors.As each fault.
func (fs Faults) Unwrap() []error {
	out := make([]error, len(fs))
	for i, f := range fs {
		out[i] = f
	}
	return out
}

// Longest pieces of a file's text and longest words of a message, in
// characters: a value of 16 MiB must not come back in every complaint about it.
const (
	longestPiece = 200
	longestWords = 1000
)

// sentence formats a message and cuts what it quotes to a readable length.
func sentence(format string, args []any) string {
	short := make([]any, len(args))
	for i, a := range args {
		if s, ok := a.(string); ok {
			a = clip(s, longestPiece)
		}
		short[i] = a
	}
	return clip(fmt.Sprintf(format, short...), longestWords)
}

// clip cuts a text to a number of characters.
func clip(s string, most int) string {
	if len(s) <= most || utf8.RuneCountInString(s) <= most {
		return s
	}
	for i := range s {
		if most--; most < 0 {
			return s[:i] + "..."
		}
	}
	return s
}
