package permit_test

import (
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"plumbline/poll/internal/permit"
)

var (
	press = []byte{0x05, 0x00, 0x10, 0xFF, 0x00}
	loose = []byte{0x05, 0x00, 0x10, 0x00, 0x00}
)

func TestPermitServesOnce(t *testing.T) {
	p := permit.New(17, press)
	copied := p
	if err := p.Use(17, press); err != nil {
		t.Fatalf("first use: %v", err)
	}
	for name, q := range map[string]permit.Permit{"itself": p, "its copy": copied} {
		if err := q.Use(17, press); !errors.Is(err, permit.ErrUsed) {
			t.Errorf("second use of %s: %v, want %v", name, err, permit.ErrUsed)
		}
	}
}

func TestPermitServesOneOfManyAtOnce(t *testing.T) {
	p := permit.New(17, press)
	var served atomic.Int32
	var all sync.WaitGroup
	for range 64 {
		all.Go(func() {
			if p.Use(17, press) == nil {
				served.Add(1)
			}
		})
	}
	all.Wait()
	if served.Load() != 1 {
		t.Errorf("%d of 64 uses at once were served, want 1", served.Load())
	}
}

func TestPermitIsForOneUnitAndOneRequest(t *testing.T) {
	p := permit.New(17, press)
	if err := p.Use(18, press); !errors.Is(err, permit.ErrOther) {
		t.Errorf("another unit: %v", err)
	}
	if err := p.Use(17, loose); !errors.Is(err, permit.ErrOther) {
		t.Errorf("another request: %v", err)
	}
	if err := p.Use(17, press); err != nil {
		t.Errorf("a refused use must leave the permit unused: %v", err)
	}
}

func TestPermitKeepsItsOwnCopyOfTheRequest(t *testing.T) {
	pdu := append([]byte(nil), press...)
	p := permit.New(17, pdu)
	pdu[2] = 0x11
	if err := p.Use(17, press); err != nil {
		t.Errorf("the caller's later change of its bytes reached the permit: %v", err)
	}
}

func TestZeroPermitPermitsNothing(t *testing.T) {
	if err := (permit.Permit{}).Use(17, press); !errors.Is(err, permit.ErrNone) {
		t.Errorf("zero permit: %v, want %v", err, permit.ErrNone)
	}
}

// TestOnlyTheGateMakesPermits reads the sources of poll: one gate writes to a
// plant. Only poll/link and poll/gate know this package outside tests, and
// only poll/gate calls New.
func TestOnlyTheGateMakesPermits(t *testing.T) {
	const path = "plumbline/poll/internal/permit"
	read := 0
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return err
		}
		source, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, source, parser.SkipObjectResolution)
		if err != nil {
			return nil // not compiling is the compiler's to say
		}
		read++
		room, _ := filepath.Rel(root, filepath.Dir(name))
		for _, spec := range file.Imports {
			if spec.Path.Value != `"`+path+`"` {
				continue
			}
			if spec.Name != nil {
				t.Errorf("%s imports %s under another name", name, path)
			}
			if room != "link" && room != "gate" {
				t.Errorf("%s imports %s; only poll/link and poll/gate may", name, path)
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && s.Sel.Name == "New" && room != "gate" {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "permit" {
					t.Errorf("%s makes a permit; only poll/gate may", name)
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if read == 0 {
		t.Fatal("no source file was read")
	}
}
