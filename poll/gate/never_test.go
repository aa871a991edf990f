package gate

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The only folders that may do each thing, by the name of the call or the
// import. Tests are not read: they write to simulated stations.
var (
	mayPermit  = []string{"poll/gate"}                        // permit.New
	mayKnow    = []string{"poll/gate", "poll/link"}           // import of the permit
	mayChange  = []string{"poll/gate", "poll/link"}           // x.Change(
	mayUseGate = []string{"cmd/plumbline", "poll/prove"}      // import of the gate
	gateFiles  = []string{"cmd/plumbline/set", "poll/prove/"} // and by which files
)

// TestK13NothingElseWrites reads the sources of the whole module: one package
// makes permits and changes stations, and only the commands that a person
// starts for that use it. No page, broker, simulated station, diagnosis or
// search does, nothing at start-up and nothing on reconnect.
func TestK13NothingElseWrites(t *testing.T) {
	root := filepath.Join("..", "..")
	read := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && d.Name() != ".." {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			return nil // not compiling is the compiler's to say
		}
		read++
		place, _ := filepath.Rel(root, name)
		judge(t, filepath.ToSlash(place), file)
		return nil
	})
	if err != nil || read < 40 {
		t.Fatalf("%d files were read, %v", read, err)
	}
}

// judge looks at one file's imports and calls.
func judge(t *testing.T, place string, file *ast.File) {
	room := filepath.ToSlash(filepath.Dir(place))
	for _, spec := range file.Imports {
		switch strings.Trim(spec.Path.Value, `"`) {
		case "plumbline/poll/internal/permit":
			if !slices.Contains(mayKnow, room) || spec.Name != nil {
				t.Errorf("%s imports the permit", place)
			}
		case "plumbline/poll/gate":
			ours := slices.ContainsFunc(gateFiles, func(p string) bool { return strings.HasPrefix(place, p) })
			if !slices.Contains(mayUseGate, room) || !ours || spec.Name != nil {
				t.Errorf("%s imports the gate; only set and prove may", place)
			}
		}
	}
	linked := slices.ContainsFunc(file.Imports, func(i *ast.ImportSpec) bool { return i.Path.Value == `"plumbline/poll/link"` })
	ast.Inspect(file, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, _ := s.X.(*ast.Ident)
		switch {
		case s.Sel.Name == "New" && x != nil && x.Name == "permit" && !slices.Contains(mayPermit, room):
			t.Errorf("%s makes a permit", place)
		case s.Sel.Name == "Change" && linked && !slices.Contains(mayChange, room):
			t.Errorf("%s takes a link's Change", place)
		}
		return true
	})
}
