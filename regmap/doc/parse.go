package doc

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// Bounds of one file. Real maps stay far below: the deepest key of the map
// language is 6 deep.
const (
	maxNodes = 1_000_000
	maxDepth = 32
)

// Parse reads one YAML document into nodes. What keeps it from being walked
// (syntax, a second document, aliases, hidden characters) goes to the report;
// the node is absent when there is nothing to walk.
func Parse(name string, text []byte, rep *Report) Node {
	if !checkText(name, text, rep) {
		return Node{rep: rep}
	}
	root, err := decode(text)
	if err != nil {
		rep.Add(syntaxFault(name, err))
		return Node{rep: rep}
	}
	if root == nil {
		rep.Add(Fault{Pos: Pos{name, 1, 1}, Message: "the file is empty"})
		return Node{rep: rep}
	}
	n := Node{y: root, file: name, rep: rep}
	s := scan{nodes: maxNodes}
	if !s.walk(n, 0) {
		return Node{rep: rep}
	}
	return n
}

// errSecond tells a second document in the file.
var errSecond = errors.New("a second document begins here; one file holds one")

type placedError struct {
	line int
	err  error
}

func (e placedError) Error() string { return e.err.Error() }

// decode parses text into the library's nodes and keeps its panics in.
func decode(text []byte) (root *yaml.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			root, err = nil, fmt.Errorf("%v", p)
		}
	}()
	d := yaml.NewDecoder(bytes.NewReader(text))
	var first, second yaml.Node
	if err := d.Decode(&first); errors.Is(err, io.EOF) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	if err := d.Decode(&second); err == nil {
		return nil, placedError{second.Line, errSecond}
	} else if !errors.Is(err, io.EOF) {
		return nil, err
	}
	if len(first.Content) == 0 {
		return nil, nil
	}
	return first.Content[0], nil
}

var libraryLine = regexp.MustCompile(`line (\d+):? ?`)

// syntaxFault turns the library's error into ours. It gives a line at most.
func syntaxFault(name string, err error) Fault {
	var placed placedError
	if errors.As(err, &placed) {
		return Fault{Pos: Pos{name, max(placed.line, 1), 1}, Message: placed.Error()}
	}
	line, words := 1, strings.TrimPrefix(err.Error(), "yaml: ")
	if m := libraryLine.FindStringSubmatchIndex(words); m != nil {
		line, _ = strconv.Atoi(words[m[2]:m[3]])
		words = words[:m[0]] + words[m[1]:]
	}
	f := Fault{Pos: Pos{name, max(line, 1), 1}, Message: "this is not YAML: " + words}
	if strings.Contains(words, "cannot start any token") {
		f.Hint = "indent with blanks, not tabs, and quote text that begins with a special character"
	}
	return f
}

// checkText refuses what the library would take silently or garble: other
// encodings, broken UTF-8, and characters that hide or reorder text.
func checkText(name string, text []byte, rep *Report) bool {
	if bytes.HasPrefix(text, []byte{0xFF, 0xFE}) || bytes.HasPrefix(text, []byte{0xFE, 0xFF}) {
		rep.Add(Fault{Pos: Pos{name, 1, 1}, Message: "the file is UTF-16; save it as UTF-8"})
		return false
	}
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	ok, line, column := true, 1, 0
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		column++
		switch {
		case r == utf8.RuneError && size == 1:
			rep.Add(Fault{Pos: Pos{name, line, column}, Message: fmt.Sprintf("byte %02X is not UTF-8", text[i])})
			return false
		case r == '\n' || r == '\r' && (i+1 == len(text) || text[i+1] != '\n'):
			line, column = line+1, 0
		case r != '\r' && r != '\t' && Hidden(r):
			rep.Add(Fault{Pos: Pos{name, line, column}, Message: hiddenWords(r)})
			ok = false
		}
		i += size
	}
	return ok
}

// Hidden says whether a character is a control or format character, which no
// text of ours may hold: it is not seen, or it reorders what is.
func Hidden(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co, unicode.Cs)
}

func hiddenWords(r rune) string {
	return fmt.Sprintf("the character U+%04X cannot be seen; remove it", r)
}

// scan walks the whole tree once, before any table does.
type scan struct{ nodes int }

// walk checks a node and what is below it; false ends the walk.
func (s *scan) walk(n Node, depth int) bool {
	if s.nodes--; s.nodes < 0 {
		n.Fault("more than %d values in one file", maxNodes)
		return false
	}
	if depth > maxDepth {
		n.Fault("nested more than %d deep", maxDepth)
		return false
	}
	if n.y.Kind == yaml.AliasNode || n.y.Anchor != "" {
		n.Fault("anchors and aliases are not read").Hint = "write the value out where it is meant"
		return false
	}
	if tag := n.y.Tag; n.y.Style&yaml.TaggedStyle != 0 || strings.HasPrefix(tag, "!") && !strings.HasPrefix(tag, "!!") {
		n.Fault("the tag %q is not read", tag).Hint = "write the value without it"
		return false
	}
	switch n.y.Kind {
	case yaml.ScalarNode:
		for _, r := range n.y.Value {
			if r != '\n' && r != '\t' && Hidden(r) {
				n.Fault("%s", hiddenWords(r))
				break
			}
		}
	case yaml.MappingNode:
		return s.mapping(n, depth)
	case yaml.SequenceNode:
		for i, c := range n.y.Content {
			if !s.walk(n.item(i, c), depth+1) {
				return false
			}
		}
	}
	return true
}

// mapping looks for keys that are no plain text and keys given twice.
func (s *scan) mapping(n Node, depth int) bool {
	seen := make(map[string]int, len(n.y.Content)/2)
	for i := 0; i+1 < len(n.y.Content); i += 2 {
		key := n.y.Content[i]
		e := n.entry(key, n.y.Content[i+1])
		if key.Kind != yaml.ScalarNode || key.Tag == "!!merge" {
			e.KeyFault("a key must be a plain word")
			return false
		}
		if line, twice := seen[key.Value]; twice {
			e.KeyFault("%q is given twice, first on line %d", key.Value, line).Hint = "keep one of them"
		}
		seen[key.Value] = key.Line
		if k := n.entry(key, key); !s.walk(k, depth+1) {
			return false
		}
		if !s.walk(e, depth+1) {
			return false
		}
	}
	return true
}
