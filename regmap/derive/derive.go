// Package derive reads the formulas of derived points: sums, differences,
// products and quotients of other points' values, and nothing else. It is the
// one door to the expression library, whose functions are all switched off.
package derive

import (
	"errors"
	"fmt"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"
)

// Bounds of one formula.
const (
	maxLength = 1000 // characters
	maxNodes  = 200
)

// A Formula is a formula of points, ready to be worked out. It is immutable
// and safe for concurrent use.
type Formula struct {
	text    string
	inputs  []string
	program *vm.Program
}

// An Error says what is wrong with a formula, and where.
type Error struct {
	Column int // in the formula, from 1; 0 when it is about the whole
	Words  string
}

// Error is the place and the words.
func (e *Error) Error() string {
	if e.Column == 0 {
		return e.Words
	}
	return fmt.Sprintf("column %d: %s", e.Column, e.Words)
}

const allowed = `allowed are p("name"), numbers, + - * / and brackets`

// Parse reads a formula. The error is an *Error.
func Parse(text string) (*Formula, error) {
	if len(text) > maxLength {
		return nil, &Error{Words: fmt.Sprintf("a formula has at most %d characters, this has %d", maxLength, len(text))}
	}
	tree, err := parser.Parse(text)
	if err != nil {
		return nil, plain(err)
	}
	w := &walker{seen: map[string]bool{}}
	w.walk(tree.Node)
	switch {
	case w.err != nil:
		return nil, w.err
	case len(w.inputs) == 0:
		return nil, &Error{Words: "the formula takes no point; " + allowed}
	}
	program, err := expr.Compile(text, expr.Env(environment{}), expr.DisableAllBuiltins(), expr.AsFloat64(), expr.MaxNodes(maxNodes))
	if err != nil {
		return nil, plain(err)
	}
	return &Formula{text: text, inputs: w.inputs, program: program}, nil
}

// environment is all that a formula can see.
type environment struct {
	P func(name string) float64 `expr:"p"`
}

// plain is the library's error with its place and without its picture.
func plain(err error) *Error {
	var at *file.Error
	if errors.As(err, &at) {
		return &Error{Column: at.Column + 1, Words: at.Message}
	}
	first, _, _ := strings.Cut(err.Error(), "\n")
	return &Error{Words: first}
}

// walker allows the few kinds of nodes that a formula may have.
type walker struct {
	inputs []string
	seen   map[string]bool
	nodes  int
	err    *Error
}

func (w *walker) refuse(n ast.Node, what string) {
	if w.err == nil {
		w.err = &Error{Column: n.Location().From + 1, Words: what + "; " + allowed}
	}
}

func (w *walker) walk(n ast.Node) {
	if w.nodes++; w.nodes > maxNodes {
		w.refuse(n, "the formula is too long")
	}
	if w.err != nil {
		return
	}
	switch n := n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	case *ast.UnaryNode:
		if n.Operator != "-" && n.Operator != "+" {
			w.refuse(n, fmt.Sprintf("%q is not allowed", n.Operator))
		}
		w.walk(n.Node)
	case *ast.BinaryNode:
		if !strings.Contains("+-*/", n.Operator) || len(n.Operator) != 1 {
			w.refuse(n, fmt.Sprintf("%q is not allowed", n.Operator))
		}
		w.walk(n.Left)
		w.walk(n.Right)
	case *ast.CallNode:
		w.call(n)
	default:
		w.refuse(n, "this is not allowed")
	}
}

// call allows p("name").
func (w *walker) call(n *ast.CallNode) {
	name, ok := n.Callee.(*ast.IdentifierNode)
	if !ok || name.Value != "p" || len(n.Arguments) != 1 {
		w.refuse(n, "this call is not allowed")
		return
	}
	point, ok := n.Arguments[0].(*ast.StringNode)
	if !ok {
		w.refuse(n, "p takes a point's name in quotes")
		return
	}
	if !w.seen[point.Value] {
		w.seen[point.Value] = true
		w.inputs = append(w.inputs, point.Value)
	}
}

// Inputs are the names of the points it takes, each once, in order.
func (f *Formula) Inputs() []string { return f.inputs }

// String is the formula as written.
func (f *Formula) String() string { return f.text }

// Value works the formula out; value gives each point's number. The result may
// be infinite or no number, after a division by zero. The error is for what
// the library could not do.
func (f *Formula) Value(value func(name string) float64) (float64, error) {
	out, err := expr.Run(f.program, environment{P: value})
	if err != nil {
		return 0, plain(err)
	}
	return out.(float64), nil
}
