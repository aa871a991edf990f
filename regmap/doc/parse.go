package doc

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// Bounds of one file. Real maps stay far below: the deepest key of the map
// language is 6 deep.
const (
	maxNodes = 1_000_000
	maxDepth = 32
)

// Parse reads one YAML document into nodes. What no table could see (syntax, a
// second document, aliases, tags, hidden characters, keys given twice) goes to
// the report; the node is absent when there is nothing to walk.
func Parse(name string, text []byte, rep *Report) Node {
	rep.see(name)
	src := &source{name, rep}
	clean, holes, ok := cleanText(name, text, rep)
	if !ok {
		return Node{src: src}
	}
	if line, column, many := tooMany(clean); many {
		rep.Add(Fault{Pos: Pos{name, line, column}, Message: tooManyWords})
		return Node{src: src}
	}
	root, err := decode(bytes.NewReader(clean))
	at := placesOf(clean, holes)
	if err != nil {
		f := syntaxFault(clean, err)
		f.Pos.File = name
		f.Pos.Line, f.Pos.Column = at.file(f.Pos.Line, f.Pos.Column)
		rep.Add(f)
		return Node{src: src}
	}
	if root == nil {
		rep.Add(Fault{Pos: Pos{name, 1, 1}, Message: "the file is empty"})
		return Node{src: src}
	}
	b := builder{src: src, at: at, left: maxNodes}
	v := b.build(root, nil, nil, 0)
	if v.kind == refused {
		return Node{src: src}
	}
	return src.node(v)
}

var (
	tooManyWords = fmt.Sprintf("more than %d values in one file", maxNodes)
	depthWords   = fmt.Sprintf("nested more than %d deep", maxDepth)
)

// tooMany counts what values can begin with, before the library makes 160
// bytes and more of each, and gives the place where it becomes too much. A
// value begins after a line break, a comma, a colon or an opening bracket.
func tooMany(text []byte) (line, column int, many bool) {
	count, line, start := 0, 1, 0
	for i, c := range text {
		switch {
		case c == '\n' || c == '\r' && (i+1 == len(text) || text[i+1] != '\n'):
			line, start = line+1, i+1
		case c == ',' || c == ':' || c == '[' || c == '{':
		default:
			continue
		}
		if count++; count > maxNodes {
			return line, utf8.RuneCount(text[start:max(i, start)]) + 1, true
		}
	}
	return 0, 0, false
}

// secondError tells where a second document begins.
type secondError struct{ line, column int }

func (secondError) Error() string { return "a second document begins here; one file holds one" }

// errNotTaken stands for a panic of the library, whose words help nobody.
var errNotTaken = errors.New("it cannot be taken apart")

// decode parses text into the library's nodes and keeps its panics in. No text
// gives nil.
func decode(text io.Reader) (root *yaml.Node, err error) {
	defer func() {
		if recover() != nil {
			root, err = nil, errNotTaken
		}
	}()
	d := yaml.NewDecoder(text)
	var first, second yaml.Node
	if err := d.Decode(&first); errors.Is(err, io.EOF) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	if err := d.Decode(&second); err == nil {
		return nil, secondError{second.Line, second.Column}
	} else if !errors.Is(err, io.EOF) {
		return nil, err
	}
	if len(first.Content) == 0 {
		return nil, nil
	}
	return first.Content[0], nil
}

// builder makes our values of the library's nodes. It is the one walk over
// everything in the file, so it finds what belongs to no table.
type builder struct {
	src  *source
	at   places
	left int // values that may still come
}

// build makes a value and what is below it. It follows no alias, so it ends.
func (b *builder) build(y *yaml.Node, up, key *value, depth int) *value {
	b.left--
	v := &value{kind: scalar, text: y.Value, up: up, key: key}
	if key == nil && up != nil && up.kind == block {
		v.key = v // a key: its path is its own
	}
	v.quoted = y.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0
	v.line, v.column = b.at.file(y.Line, y.Column)
	if words, hint := b.refuse(y); words != "" || depth > maxDepth {
		if depth > maxDepth {
			words, hint, b.left = depthWords, "", -1 // nothing of the file is read
		}
		b.src.node(v).Fault("%s", words).Hint = hint
		v.kind = refused
		return v
	}
	switch y.Kind {
	case yaml.MappingNode:
		b.block(v, y, depth)
	case yaml.SequenceNode:
		v.kind = listing
		for i, c := range y.Content {
			below := b.build(c, v, nil, depth+1)
			below.step = i
			v.below = append(v.below, below)
			if b.left < 0 {
				v.kind = refused
				return v
			}
		}
	default:
		for _, r := range v.text {
			if r != '\n' && r != '\t' && Hidden(r) {
				b.src.node(v).Fault("%s", hiddenWords(r))
				break
			}
		}
		v.text = oneForm(v.text)
	}
	return v
}

// refuse says why a value is not read at all; "" for one that is.
func (b *builder) refuse(y *yaml.Node) (words, hint string) {
	tag := y.Tag
	switch {
	case b.left < 0:
		return tooManyWords, ""
	case y.Kind == yaml.AliasNode || y.Anchor != "":
		return aliasWords, aliasHint
	case y.Style&yaml.TaggedStyle != 0 || strings.HasPrefix(tag, "!") && !strings.HasPrefix(tag, "!!"):
		return sentence("the tag %q is not read", []any{tag}), "write the value without it"
	}
	return "", ""
}

const (
	aliasWords = "anchors and aliases are not read"
	aliasHint  = "write the value out where it is meant"
)

// block makes the entries of a block. Keys given twice are found with a set:
// the library's own search compares each key with each other.
func (b *builder) block(v *value, y *yaml.Node, depth int) {
	v.kind = block
	v.byKey = make(map[string]*value, len(y.Content)/2)
	for i := 0; i+1 < len(y.Content); i += 2 {
		key := b.key(v, y.Content[i], depth)
		if b.left < 0 {
			v.kind = refused
			return
		}
		entry := b.build(y.Content[i+1], v, key, depth+1)
		n := b.src.node(entry)
		switch first, twice := v.byKey[key.text]; {
		case b.left < 0:
			v.kind = refused
			return
		case key.kind == refused:
			v.kind = refused // what it lacks, nobody can know
		case twice:
			n.KeyFault("%q is given twice, first on line %d", key.text, first.key.line).Hint = "keep one of them"
		default:
			v.byKey[key.text] = entry
			v.below = append(v.below, entry)
		}
	}
}

// key makes a key, which must be a plain word.
func (b *builder) key(in *value, y *yaml.Node, depth int) *value {
	if y.Kind == yaml.ScalarNode && y.Tag != "!!merge" {
		return b.build(y, in, nil, depth+1)
	}
	key := &value{kind: scalar, up: in, text: y.Value}
	key.key = key
	key.line, key.column = b.at.file(y.Line, y.Column)
	b.src.node(key).Fault("a key must be a plain word")
	key.kind = refused
	return key
}
