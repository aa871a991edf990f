package doc

import (
	"fmt"
	"iter"
	"strconv"

	"gopkg.in/yaml.v3"
)

// A Node is one value of a file with its place, its path and the report that
// complaints about it go to. The zero Node is absent. Nodes are small: pass
// them by value.
type Node struct {
	y    *yaml.Node
	key  *yaml.Node // the key it stands under, if any
	up   *Node
	name string // its step in the path
	file string
	rep  *Report
}

// Present says whether the value is in the file.
func (n Node) Present() bool { return n.y != nil }

// Pos is the value's place.
func (n Node) Pos() Pos {
	if n.y == nil {
		return Pos{File: n.file}
	}
	return Pos{n.file, n.y.Line, n.y.Column}
}

// KeyPos is the place of the key that the value stands under; of the value
// itself where it has none.
func (n Node) KeyPos() Pos {
	if n.key == nil {
		return n.Pos()
	}
	return Pos{n.file, n.key.Line, n.key.Column}
}

// Name is the key that the value stands under; "" at the root and in lists.
func (n Node) Name() string {
	if n.key == nil {
		return ""
	}
	return n.key.Value
}

// KeyNode is the key that the value stands under, as a value of its own.
func (n Node) KeyNode() Node { n.y = n.key; return n }

// Path is the way from the root: "points.level.type".
func (n Node) Path() string {
	if n.up == nil {
		return n.name
	}
	above := n.up.Path()
	if above == "" || n.name == "" {
		return above + n.name
	}
	if n.key == nil {
		return above + n.name // a list's [3]
	}
	return above + "." + n.name
}

// Report is where complaints about the node go.
func (n Node) Report() *Report { return n.rep }

// Fault reports something wrong with the value.
func (n Node) Fault(format string, args ...any) *Fault {
	return n.rep.Add(Fault{Pos: n.Pos(), Path: n.Path(), Message: fmt.Sprintf(format, args...)})
}

// KeyFault reports something wrong with the key that the value stands under.
func (n Node) KeyFault(format string, args ...any) *Fault {
	return n.rep.Add(Fault{Pos: n.KeyPos(), Path: n.Path(), Message: fmt.Sprintf(format, args...)})
}

// Warn reports something doubtful about the value.
func (n Node) Warn(format string, args ...any) *Fault {
	f := &Fault{Pos: n.Pos(), Path: n.Path(), Message: fmt.Sprintf(format, args...)}
	n.rep.warnings = append(n.rep.warnings, f)
	return f
}

// IsMapping says whether the value is a block of keys.
func (n Node) IsMapping() bool { return n.y != nil && n.y.Kind == yaml.MappingNode }

// IsList says whether the value is a list.
func (n Node) IsList() bool { return n.y != nil && n.y.Kind == yaml.SequenceNode }

// IsScalar says whether the value is one word, number or text.
func (n Node) IsScalar() bool { return n.y != nil && n.y.Kind == yaml.ScalarNode }

// Len is the number of keys of a block or items of a list; 0 for a scalar.
func (n Node) Len() int {
	switch {
	case n.IsMapping():
		return len(n.y.Content) / 2
	case n.IsList():
		return len(n.y.Content)
	}
	return 0
}

// kind says in words what the value is.
func (n Node) kind() string {
	switch {
	case n.y == nil:
		return "nothing"
	case n.IsMapping():
		return "a block of keys"
	case n.IsList():
		return "a list"
	case n.empty():
		return "nothing"
	}
	return strconv.Quote(n.y.Value)
}

// empty says whether the value was left out after its key, or is null.
func (n Node) empty() bool {
	return n.y.Kind == yaml.ScalarNode && n.y.Tag == "!!null" && n.y.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle) == 0
}

// Get is the value under a key; absent when there is none, or none such.
func (n Node) Get(key string) Node {
	if n.IsMapping() {
		for i := 0; i+1 < len(n.y.Content); i += 2 {
			if n.y.Content[i].Value == key {
				return n.entry(n.y.Content[i], n.y.Content[i+1])
			}
		}
	}
	return Node{rep: n.rep, file: n.file, up: &n, name: key}
}

// Entries walks the keys of a block in the order of the file. A value that is
// no block is a fault and has none.
func (n Node) Entries() iter.Seq2[string, Node] {
	return func(yield func(string, Node) bool) {
		if !n.IsMapping() {
			n.Fault("a block of keys is wanted here, this is %s", n.kind())
			return
		}
		for i := 0; i+1 < len(n.y.Content); i += 2 {
			if !yield(n.y.Content[i].Value, n.entry(n.y.Content[i], n.y.Content[i+1])) {
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
		for i, c := range n.y.Content {
			if !yield(i, n.item(i, c)) {
				return
			}
		}
	}
}

func (n Node) entry(key, value *yaml.Node) Node {
	return Node{y: value, key: key, up: &n, name: key.Value, file: n.file, rep: n.rep}
}

func (n Node) item(i int, value *yaml.Node) Node {
	return Node{y: value, up: &n, name: fmt.Sprintf("[%d]", i), file: n.file, rep: n.rep}
}
