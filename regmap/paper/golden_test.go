package paper

import (
	"archive/zip"
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with a file of testdata/paper.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("../../testdata/paper", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs from what was written; -update writes it anew\n%s", name, firstDifference(string(got), string(want)))
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			at := 0
			for at < min(len(g[i]), len(w[i])) && g[i][at] == w[i][at] {
				at++
			}
			part := func(s string) string { return s[max(0, at-60):min(len(s), at+60)] }
			return fmt.Sprintf("line %d, byte %d\n got ...%q\nwant ...%q", i+1, at+1, part(g[i]), part(w[i]))
		}
	}
	return fmt.Sprintf("got %d lines, want %d", len(g), len(w))
}

func written(t *testing.T, d Document, f Format) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := Write(&out, d, f); err != nil {
		t.Fatalf("%s: %v", f, err)
	}
	return out.Bytes()
}

// TestGolden: the sample in every format. A PDF's and a workbook's bytes
// change with the compressor, so their golden files are the pages as pictures
// and the parts that hold the content.
func TestGolden(t *testing.T) {
	d := sample()
	for _, f := range []Format{PlainText, Markdown, CSV, HTML} {
		golden(t, "sample"+string(f), written(t, d, f))
	}
	golden(t, "sample.xlsx.txt", parts(t, written(t, d, XLSX)))
	var svg bytes.Buffer
	if err := WriteSVG(&svg, samplePicture()); err != nil {
		t.Fatal(err)
	}
	golden(t, "picture.svg", svg.Bytes())
	var narrow bytes.Buffer
	if err := WriteText(&narrow, d, 48); err != nil {
		t.Fatal(err)
	}
	golden(t, "sample-48.txt", narrow.Bytes())
	clean, err := clean(d)
	if err != nil {
		t.Fatal(err)
	}
	pages := layout(clean)
	for i, page := range pages {
		svg.Reset()
		if err := WriteSVG(&svg, Picture{Title: fmt.Sprintf("page %d of %d", i+1, len(pages)), Width: paperShort, Height: paperLong, Shapes: page.shapes}); err != nil {
			t.Fatal(err)
		}
		golden(t, fmt.Sprintf("sample-page-%d.svg", i+1), svg.Bytes())
	}
}

// nameSpaces finds a part's root element with the name spaces that the library
// declares on it.
var nameSpaces = regexp.MustCompile(`<(worksheet|workbook|Properties|cp:coreProperties) [^>]*>`)

// parts lists a workbook's parts, with those that hold the content.
func parts(t *testing.T, book []byte) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	for _, f := range z.File {
		fmt.Fprintf(&out, "== %s\n", f.Name)
		if !strings.HasPrefix(f.Name, "xl/worksheets/sheet") && f.Name != "xl/workbook.xml" && !strings.HasPrefix(f.Name, "docProps") {
			continue
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		b = nameSpaces.ReplaceAll(b, []byte("<$1>"))
		out.WriteString(strings.NewReplacer("<row", "\n<row", "<c ", "\n  <c ").Replace(string(b)) + "\n")
	}
	return out.Bytes()
}

// TestSameBytes: the same document gives the same bytes, every time.
func TestSameBytes(t *testing.T) {
	d := sample()
	for _, f := range Formats() {
		first := written(t, d, f)
		for range 8 {
			if !bytes.Equal(written(t, d, f), first) {
				t.Errorf("%s: two runs differ", f)
				break
			}
		}
	}
}
