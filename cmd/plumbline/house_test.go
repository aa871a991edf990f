package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The house as DEVELOPERS.md draws it: arrows go down only. A room may import
// what stands beside it here, and nothing else of this module. Rooms are added
// when they are built.
var rooms = map[string][]string{
	"regmap/doc":     {},
	"regmap/derive":  {},
	"regmap/ucum":    {},
	"regmap/alarm":   {},
	"regmap/paper":   {},
	"regmap":         {"regmap/doc", "regmap/derive", "regmap/alarm"},
	"regmap/sheet":   {"regmap", "regmap/doc", "regmap/line", "regmap/paper", "regmap/ucum"},
	"regmap/agree":   {"regmap", "regmap/doc", "regmap/paper", "regmap/misread"},
	"regmap/line":    {"regmap", "regmap/doc"},
	"regmap/misread": {"regmap"},
	"regmap/lint":    {"regmap", "regmap/doc", "regmap/ucum"},

	"decode/frame": {"regmap", "regmap/line"},
	"decode":       {"regmap", "regmap/line", "regmap/doc", "regmap/alarm", "decode/frame"},

	"decode/nap":     {},
	"decode/segment": {"regmap", "regmap/line", "decode", "decode/frame"},
	"decode/capture": {"regmap", "regmap/line", "decode", "decode/frame", "decode/segment"},
	"decode/draft":   {"regmap", "regmap/line", "decode", "decode/frame"},
	"decode/traffic": {"regmap", "regmap/line", "regmap/paper", "decode", "decode/frame"},
	"decode/secure":  {"regmap", "regmap/line"},

	"poll/internal/permit": {"regmap", "regmap/line", "decode", "decode/frame"},
	"poll/port":            {"regmap/line"},
	"poll/plan":            {"regmap", "regmap/line", "decode", "decode/frame"},
	"poll/link":            {"regmap", "regmap/line", "decode", "decode/frame", "decode/nap", "poll/internal/permit"},
	"poll/safefile":        {},
	"poll/feed":            {"decode"},
	"poll/gate":            {"regmap", "regmap/line", "decode", "decode/frame", "poll/link", "poll/safefile", "poll/internal/permit"},
	"poll/seek":            {"regmap", "regmap/line", "decode", "decode/frame", "decode/segment", "poll/link"},
	"poll":                 {"regmap", "regmap/line", "regmap/alarm", "decode", "decode/frame", "poll/plan", "poll/link"},

	"simdevice/fault":   {"regmap", "regmap/line", "decode", "decode/frame"},
	"simdevice/process": {"regmap", "regmap/doc", "regmap/ucum"},
	"simdevice":         {"regmap", "regmap/line", "regmap/doc", "decode", "decode/frame", "decode/nap", "simdevice/fault", "simdevice/process"},
}

// doors are the only folders that may import an outside module.
var doors = map[string][]string{
	"gopkg.in/yaml.v3":             {"regmap/doc"},
	"github.com/goburrow/modbus":   {"poll/link"},
	"golang.org/x/sys/unix":        {"poll/port"},
	"github.com/expr-lang/expr":    {"regmap/derive"},
	"github.com/xuri/excelize/v2":  {"regmap/paper"},
	"codeberg.org/go-pdf/fpdf":     {"regmap/paper"},
	"golang.org/x/image":           {"regmap/paper"},
	"github.com/creack/pty":        {"poll/port"},
	"go.bug.st/serial":             {"poll/port"},
	"github.com/gopacket/gopacket": {"decode/capture"},
	"golang.org/x/text":            {"regmap/doc"},
	"github.com/spf13/cobra":       {"cmd/plumbline"},
}

// door is the folders that may import a package of an outside module.
func door(imported string) []string {
	for module, folders := range doors {
		if imported == module || strings.HasPrefix(imported, module+"/") {
			return folders
		}
	}
	return nil
}

// topFolders are the only folders at the top, dot files aside.
var topFolders = []string{"cmd", "regmap", "poll", "decode", "simdevice", "testdata"}

// goFiles gives every Go file of the module that is no test.
func goFiles(t *testing.T) []string {
	t.Helper()
	var files []string
	root := "../.."
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && d.Name() != ".." {
			return fs.SkipDir
		}
		if strings.HasSuffix(p, ".go") && !strings.HasSuffix(p, "_test.go") {
			files = append(files, filepath.ToSlash(strings.TrimPrefix(p, root+string(filepath.Separator))))
		}
		return nil
	})
	if err != nil || len(files) < 40 {
		t.Fatalf("found %d Go files, %v", len(files), err)
	}
	return files
}

func parse(t *testing.T, file string, mode parser.Mode) (*token.FileSet, *ast.File) {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, filepath.Join("../..", file), nil, mode)
	if err != nil {
		t.Fatal(err)
	}
	return fset, f
}

// TestHouse reads every import of every file.
func TestHouse(t *testing.T) {
	for _, file := range goFiles(t) {
		room := path.Dir(file)
		_, f := parse(t, file, parser.ImportsOnly)
		for _, spec := range f.Imports {
			imported := strings.Trim(spec.Path.Value, `"`)
			inside, ours := strings.CutPrefix(imported, "plumbline/")
			switch {
			case ours && room == "cmd/plumbline":
			case ours && !slices.Contains(rooms[room], inside):
				t.Errorf("%s imports %s; the house lets %s import %v", file, inside, room, rooms[room])
			case !ours && strings.Contains(strings.SplitN(imported, "/", 2)[0], "."):
				if allowed := door(imported); !slices.Contains(allowed, room) {
					t.Errorf("%s imports %s, whose door is %v", file, imported, allowed)
				}
			}
		}
		if _, known := rooms[room]; !known && room != "cmd/plumbline" {
			t.Errorf("%s stands in a room that the house does not have", file)
		}
	}
}

// TestGoburrowInOneFile: the client library is used in one file.
func TestGoburrowInOneFile(t *testing.T) {
	var in []string
	for _, file := range goFiles(t) {
		_, f := parse(t, file, parser.ImportsOnly)
		for _, spec := range f.Imports {
			if strings.Contains(spec.Path.Value, "goburrow") {
				in = append(in, file)
			}
		}
	}
	if len(in) != 1 {
		t.Errorf("goburrow is imported by %v, want one file", in)
	}
}

// TestTopFolders: nothing new stands beside the floors.
func TestTopFolders(t *testing.T) {
	entries, err := os.ReadDir("../..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") && !slices.Contains(topFolders, e.Name()) {
			t.Errorf("the folder %s stands beside the floors", e.Name())
		}
	}
}

// Sizes that keep the house readable.
const (
	mostFileLines     = 500
	mostFunctionLines = 60
)

// TestSizes: files and functions stay short, each package says once what it is
// for, and nothing is hung into lists from init.
func TestSizes(t *testing.T) {
	comments := map[string]int{}
	for _, file := range goFiles(t) {
		fset, f := parse(t, file, parser.ParseComments)
		if n := fset.Position(f.End()).Line; n > mostFileLines {
			t.Errorf("%s has %d lines, at most %d", file, n, mostFileLines)
		}
		room := path.Dir(file)
		comments[room] += 0
		if f.Doc != nil && !strings.HasPrefix(f.Doc.Text(), "//go:build") {
			comments[room]++
		}
		for _, decl := range f.Decls {
			fn, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if n := fset.Position(fn.End()).Line - fset.Position(fn.Pos()).Line + 1; n > mostFunctionLines {
				t.Errorf("%s: %s has %d lines, at most %d", file, fn.Name.Name, n, mostFunctionLines)
			}
			if fn.Name.Name == "init" && fn.Recv == nil {
				t.Errorf("%s has an init function", file)
			}
		}
	}
	for room, n := range comments {
		if n != 1 {
			t.Errorf("%s has %d package comments, want one", room, n)
		}
	}
}
