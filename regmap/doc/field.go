package doc

import (
	"math/big"
	"strings"
	"time"
)

// ShapeKind is what a value looks like.
type ShapeKind uint8

// The shapes that help and schema tell apart.
const (
	AnyText ShapeKind = iota + 1
	NameWord
	WholeNumber
	DecimalNumber
	TrueOrFalse
	TimeSpan
	OneWord  // one of Words
	KeyBlock // Keys, and with Rest any other key
	ListOf   // Item
	Either   // one of Forms
)

// A Shape says what a value may look like, enough for help and a schema.
type Shape struct {
	Kind      ShapeKind
	Low, High *big.Int   // WholeNumber
	Words     []string   // OneWord
	Item      *Shape     // ListOf
	Keys      []KeyShape // KeyBlock
	Rest      *Shape     // KeyBlock: the shape of other keys' values; nil: none
	Forms     []Shape    // Either
}

// A KeyShape is one key of a block.
type KeyShape struct {
	Key, About string
	Required   bool
	Shape      Shape
}

// A Field is one row of a table: a key, what it means, what its value looks
// like, and where it goes.
type Field[T any] struct {
	Key, About string
	Required   bool
	Shape      Shape
	Read       func(*T, Node)
}

// Must is the same field, required.
func (f Field[T]) Must() Field[T] { f.Required = true; return f }

// A Table is the keys of one kind of block. Reading, checking, help and schema
// all come from it.
type Table[T any] struct {
	fields []Field[T]
	index  map[string]int
	words  []string // the keys
	hint   string   // what they are, for complaints
}

// NewTable builds a table of fields.
func NewTable[T any](fields ...Field[T]) *Table[T] {
	t := &Table[T]{fields: fields, index: make(map[string]int, len(fields))}
	for i, f := range fields {
		t.index[f.Key] = i
		t.words = append(t.words, f.Key)
	}
	t.hint = "allowed here: " + strings.Join(t.words, ", ")
	return t
}

// Shape is the block's shape.
func (t *Table[T]) Shape() Shape {
	s := Shape{Kind: KeyBlock}
	for _, f := range t.fields {
		s.Keys = append(s.Keys, KeyShape{f.Key, f.About, f.Required, f.Shape})
	}
	return s
}

// Read reads a block into a value. Unknown keys, missing ones and values of
// another shape are faults; every key that can be read is read.
func (t *Table[T]) Read(n Node, into *T) {
	if !n.IsMapping() {
		f := n.Fault("a block of keys is wanted here, this is %s", n.kind())
		if len(t.words) <= 8 {
			f.Hint = t.hint
		}
		return
	}
	seen := make([]bool, len(t.fields))
	for key, v := range n.Entries() {
		i, ok := t.index[key]
		if !ok {
			t.unknown(v)
			continue
		}
		seen[i] = true
		t.fields[i].Read(into, v)
	}
	for i, f := range t.fields {
		if f.Required && !seen[i] {
			n.Fault("%s is missing", f.Key).Hint = f.About
		}
	}
}

// unknown reports a key that the table does not have.
func (t *Table[T]) unknown(v Node) {
	f := v.KeyFault("%q is an unknown key", v.Name())
	if near := Near(v.Name(), t.words); near != "" {
		f.Hint = "did you mean " + near + "?"
		return
	}
	f.Hint = t.hint
}

// Text is a field of any text.
func Text[T any](key, about string, at func(*T) *string) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: AnyText}, Read: func(t *T, n Node) {
		if s, ok := n.Text(); ok {
			*at(t) = s
		}
	}}
}

// NameField is a field of a name.
func NameField[T any](key, about string, at func(*T) *string) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: NameWord}, Read: func(t *T, n Node) {
		if s, ok := n.NameText(); ok {
			*at(t) = s
		}
	}}
}

// Integer is a field of a whole number from low to high.
func Integer[T any](key, about string, low, high int64, at func(*T) *int) Field[T] {
	return Field[T]{Key: key, About: about,
		Shape: Shape{Kind: WholeNumber, Low: big.NewInt(low), High: big.NewInt(high)},
		Read: func(t *T, n Node) {
			if v, ok := n.Integer(low, high); ok {
				*at(t) = int(v)
			}
		}}
}

// Decimal is a field of a decimal number, kept exactly.
func Decimal[T any](key, about string, at func(*T) **big.Rat) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: DecimalNumber}, Read: func(t *T, n Node) {
		if r, ok := n.Decimal(); ok {
			*at(t) = r
		}
	}}
}

// Flag is a field of true or false.
func Flag[T any](key, about string, at func(*T) *bool) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: TrueOrFalse}, Read: func(t *T, n Node) {
		if v, ok := n.Flag(); ok {
			*at(t) = v
		}
	}}
}

// Duration is a field of a time with its unit.
func Duration[T any](key, about string, at func(*T) *time.Duration) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: TimeSpan}, Read: func(t *T, n Node) {
		if d, ok := n.Duration(); ok {
			*at(t) = d
		}
	}}
}

// Choice is a field of one word out of a list; set gets the word's index.
func Choice[T any](key, about string, words []string, set func(*T, int)) Field[T] {
	return Field[T]{Key: key, About: about, Shape: Shape{Kind: OneWord, Words: words}, Read: func(t *T, n Node) {
		if i, ok := n.Choice(words); ok {
			set(t, i)
		}
	}}
}

// Block is a field that is a block of its own; set gets it filled.
func Block[T, U any](key, about string, table *Table[U], set func(*T, *U, Node)) Field[T] {
	return Field[T]{Key: key, About: about, Shape: table.Shape(), Read: func(t *T, n Node) {
		u := new(U)
		table.Read(n, u)
		if n.IsMapping() {
			set(t, u, n)
		}
	}}
}

// Custom is a field with a reader of its own.
func Custom[T any](key, about string, shape Shape, read func(*T, Node)) Field[T] {
	return Field[T]{Key: key, About: about, Shape: shape, Read: read}
}

// A Section is a block of a file that a higher floor owns, such as a map's
// simulate block. Read gets the block and what the rest of the file was read
// into, and makes of it what the owner keeps; the file's reader only carries it.
// Where the rest of the file has faults it gets what is sound of it, and what it
// makes is dropped: it is called for its own faults.
type Section[T any] struct {
	Key, About string
	Shape      Shape
	Read       func(Node, *T) any
}
