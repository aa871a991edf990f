package regmap

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

var update = flag.Bool("update", false, "write golden files anew")

// TestBadMaps: one fault a file; the golden file holds place, path, words and
// hint of each.
func TestBadMaps(t *testing.T) {
	files, err := filepath.Glob("../testdata/maps/bad/*.bad.yaml")
	if err != nil || len(files) < 60 {
		t.Fatalf("found %d bad maps, %v", len(files), err)
	}
	var got strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		rep := new(doc.Report)
		m := Load(filepath.Base(file), text, rep)
		if m != nil || !rep.Bad() {
			t.Errorf("%s was taken for right", file)
		}
		for _, f := range rep.Faults() {
			if f.Pos.Line < 1 || f.Pos.Column < 1 || f.Pos.Line > strings.Count(string(text), "\n")+1 {
				t.Errorf("%s: the place %v is not in the file", file, f.Pos)
			}
			fmt.Fprintln(&got, f.Error())
		}
	}
	golden(t, "../testdata/maps/bad/faults.golden", got.String())
}

// golden compares with a file, or writes it under -update.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
		for i := range min(len(a), len(b)) {
			if a[i] != b[i] {
				t.Fatalf("%s line %d:\ngot  %s\nwant %s", file, i+1, a[i], b[i])
			}
		}
		t.Fatalf("%s: got %d lines, want %d", file, len(a), len(b))
	}
}
