package doc

import (
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
)

// kind is which of its forms a value has.
type kind uint8

const (
	scalar kind = iota + 1
	block
	listing
	refused // already reported; no table looks at it, and no complaint is made twice
)

// value is one value of a file.
type value struct {
	kind         kind
	quoted       bool
	text         string // scalar
	line, column int
	up           *value
	key          *value            // the key it stands under, in a block
	step         int               // its place in a list
	below        []*value          // values of a block or list, in the order of the file
	byKey        map[string]*value // block; a key given twice means the first
}

// source is the file that values stand in.
type source struct {
	name string
	rep  *Report
}

// A Node is one value of a file with its place, its path and the report that
// complaints about it go to. The zero Node is absent. Nodes are small: pass
// them by value.
type Node struct {
	v    *value // nil: absent
	at   *value // what its path names: the value; where absent, the block it is missing in
	miss string // absent: the key that was looked for
	src  *source
}

func (s *source) node(v *value) Node { return Node{v: v, at: v, src: s} }

// Present says whether the value is in the file.
func (n Node) Present() bool { return n.v != nil }

// Pos is the value's place; for an absent value that of the block it is
// missing in.
func (n Node) Pos() Pos {
	switch {
	case n.src == nil:
		return Pos{}
	case n.v != nil:
		return Pos{n.src.name, n.v.line, n.v.column}
	case n.at != nil:
		return Pos{n.src.name, n.at.line, n.at.column}
	}
	return Pos{File: n.src.name}
}

// KeyPos is the place of the key that the value stands under; of the value
// itself where it has none.
func (n Node) KeyPos() Pos {
	if n.v == nil || n.v.key == nil {
		return n.Pos()
	}
	return Pos{n.src.name, n.v.key.line, n.v.key.column}
}

// Name is the key that the value stands under; "" at the root and in lists.
func (n Node) Name() string {
	if n.v == nil || n.v.key == nil {
		return n.miss
	}
	return n.v.key.text
}

// KeyNode is the key that the value stands under, as a value of its own.
func (n Node) KeyNode() Node {
	if n.v == nil {
		return n
	}
	n.v = n.v.key
	return n
}

// Path is the way from the root: "points.level.type", "agreed[0].who".
func (n Node) Path() string {
	var steps []string
	if n.miss != "" {
		steps = append(steps, clip(n.miss, longestPiece), ".")
	}
	for v := n.at; v != nil && v.up != nil; v = v.up {
		if v.key == nil {
			steps = append(steps, fmt.Sprintf("[%d]", v.step))
			continue
		}
		steps = append(steps, clip(v.key.text, longestPiece), ".")
	}
	slices.Reverse(steps)
	return strings.TrimPrefix(strings.Join(steps, ""), ".")
}

// Report is where complaints about the node go.
func (n Node) Report() *Report {
	if n.src == nil {
		return new(Report)
	}
	return n.src.rep
}

// Fault reports something wrong with the value. A value that was refused
// before any table looked at it is not reported again.
func (n Node) Fault(format string, args ...any) *Fault {
	f := Fault{Pos: n.Pos(), Path: n.Path(), Message: sentence(format, args)}
	if n.v != nil && n.v.kind == refused {
		return &f
	}
	return n.Report().Add(f)
}

// KeyFault reports something wrong with the key that the value stands under.
func (n Node) KeyFault(format string, args ...any) *Fault {
	return n.Report().Add(Fault{Pos: n.KeyPos(), Path: n.Path(), Message: sentence(format, args)})
}

// Warn reports something doubtful about the value.
func (n Node) Warn(format string, args ...any) *Fault {
	return n.Report().Warn(Fault{Pos: n.Pos(), Path: n.Path(), Message: sentence(format, args)})
}

func (n Node) is(k kind) bool { return n.v != nil && n.v.kind == k }

// IsMapping says whether the value is a block of keys.
func (n Node) IsMapping() bool { return n.is(block) }

// IsList says whether the value is a list.
func (n Node) IsList() bool { return n.is(listing) }

// IsScalar says whether the value is one word, number or text.
func (n Node) IsScalar() bool { return n.is(scalar) }

// Len is the number of keys of a block or items of a list; 0 for a scalar.
func (n Node) Len() int {
	if n.v == nil {
		return 0
	}
	return len(n.v.below)
}

// kind says in words what the value is.
func (n Node) kind() string {
	switch {
	case n.v == nil, n.empty():
		return "nothing"
	case n.IsMapping():
		return "a block of keys"
	case n.IsList():
		return "a list"
	}
	return strconv.Quote(clip(n.v.text, longestPiece))
}

// nothing holds the ways to write no value.
// Source: YAML 1.2.2, 10.3.2 (core schema, tag resolution).
var nothing = map[string]bool{"": true, "~": true, "null": true, "Null": true, "NULL": true}

// empty says whether the value was left out after its key, or is null.
func (n Node) empty() bool {
	return n.IsScalar() && !n.v.quoted && nothing[n.v.text]
}

// Get is the value under a key; absent when there is none, or none such.
func (n Node) Get(key string) Node {
	if n.IsMapping() {
		if v, ok := n.v.byKey[key]; ok {
			return n.src.node(v)
		}
	}
	return Node{at: n.at, miss: key, src: n.src}
}

// Entries walks the keys of a block in the order of the file; of a key given
// twice only the first. A value that is no block is a fault and has none.
func (n Node) Entries() iter.Seq2[string, Node] {
	return func(yield func(string, Node) bool) {
		if !n.IsMapping() {
			n.Fault("a block of keys is wanted here, this is %s", n.kind())
			return
		}
		for _, v := range n.v.below {
			if !yield(v.key.text, n.src.node(v)) {
				return
			}
		}
	}
}

// Items walks a list. A value that is no list is a fault and has none.
func (n Node) Items() iter.Seq2[int, Node] {
	return func(yield func(int, Node) bool) {
		if !n.IsList() {
			n.Fault("a list is wanted here, this is %s", n.kind())
			return
		}
		for i, v := range n.v.below {
			if !yield(i, n.src.node(v)) {
				return
			}
		}
	}
}
