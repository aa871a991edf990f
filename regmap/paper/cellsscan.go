package paper

import (
	"archive/zip"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"path"
	"strconv"
	"strings"
)

// mostParts is how many parts a workbook may have, mostElements how many XML
// elements those may have that are read: each costs memory.
const (
	mostParts    = 4096
	mostElements = 4 << 20
)

// A bookScan is what a first walk through a workbook finds: names, bounds and
// what the cells' formats say. Source: from memory, ECMA-376 part 1, 18.2
// (workbook), 18.3 (worksheets), 18.8 (styles), and part 2 (relationships).
type bookScan struct {
	names    []string // of the worksheets
	sheet    string   // the one to read
	rows     int      // its last row with a cell that holds something
	merged   []area
	shown    []shownCell
	zeros    []int // by the number of a cell's style: how many digits its format shows at least
	elements int
	cells    int
}

// An area is a range of cells, counted from 0.
type area struct{ top, left, bottom, right int }

// A shownCell is one whose text is not what is stored: a truth value, a number
// with zeros in front or with more digits than were meant.
type shownCell struct {
	row, column int
	text        string
}

// scanBook walks through the parts of a workbook that will be read.
func scanBook(z *zip.Reader, worksheet string) (*bookScan, error) {
	parts, err := partsOf(z)
	if err != nil {
		return nil, err
	}
	s := &bookScan{}
	book := bookPart(s, parts)
	if book == nil {
		return nil, errors.New("this is no .xlsx workbook: it holds no list of worksheets")
	}
	part, err := s.choose(book, parts, worksheet)
	if err != nil {
		return nil, err
	}
	for _, f := range z.File {
		name := partName(f.Name)
		switch {
		case f.FileInfo().IsDir(), strings.HasPrefix(name, "xl/worksheets/"), !strings.HasSuffix(name, ".xml") && !strings.HasSuffix(name, ".rels"):
		case name == "xl/styles.xml":
			err = s.walk(f, starting((&styleScan{bookScan: s}).element))
		default:
			err = s.walk(f, starting(func(xml.StartElement) error { return nil }))
		}
		if err != nil {
			return nil, err
		}
	}
	w := &sheetScan{bookScan: s}
	if err := s.walk(part, w.element); err != nil {
		return nil, err
	}
	return s, nil
}

// partName is a part's name as it is looked up: with slashes, in lower case.
func partName(name string) string {
	return strings.ToLower(strings.TrimPrefix(strings.ReplaceAll(name, `\`, "/"), "/"))
}

func partsOf(z *zip.Reader) (map[string]*zip.File, error) {
	if len(z.File) > mostParts {
		return nil, fmt.Errorf("the workbook has %d parts; at most %d are read", len(z.File), mostParts)
	}
	parts := map[string]*zip.File{}
	var size uint64
	for _, f := range z.File {
		name := partName(f.Name)
		if parts[name] != nil {
			return nil, fmt.Errorf("the workbook has its part %q twice", name)
		}
		parts[name] = f
		if size += f.UncompressedSize64; size > mostUnzipped || f.UncompressedSize64 > mostUnzipped {
			return nil, fmt.Errorf("the workbook unpacks to more than %d MiB, which is the most that is read", mostUnzipped>>20)
		}
	}
	return parts, nil
}

// A seer is shown the start and the end of each element of a part.
type seer func(*xml.Decoder, xml.Token) error

// starting makes a seer of what only wants to see elements begin.
func starting(see func(xml.StartElement) error) seer {
	return func(_ *xml.Decoder, t xml.Token) error {
		if e, ok := t.(xml.StartElement); ok {
			return see(e)
		}
		return nil
	}
}

// walk reads one part to its end; broken XML is an error.
func (s *bookScan) walk(f *zip.File, see seer) error {
	r, err := f.Open()
	if err != nil {
		return fmt.Errorf("the workbook's part %q cannot be unpacked", partName(f.Name))
	}
	defer r.Close()
	d := xml.NewDecoder(r)
	for {
		token, err := d.Token()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("the workbook's part %q is damaged: its XML breaks off at line %d", partName(f.Name), line(d))
		}
		switch token.(type) {
		case xml.StartElement:
			if s.elements++; s.elements > mostElements {
				return fmt.Errorf("the workbook has more than %d elements, which is the most that is read", mostElements)
			}
		case xml.EndElement:
		default:
			continue
		}
		if err := see(d, token); err != nil {
			return err
		}
	}
}

func line(d *xml.Decoder) int { n, _ := d.InputPos(); return n }

func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// bookPart finds the part that lists the worksheets: the package's own
// relationships say where it is.
func bookPart(s *bookScan, parts map[string]*zip.File) *zip.File {
	for _, r := range s.relations(parts["_rels/.rels"]) {
		if strings.HasSuffix(r.kind, "/officeDocument") {
			return parts[partName(r.target)]
		}
	}
	return nil
}

type relation struct{ id, kind, target string }

func (s *bookScan) relations(f *zip.File) []relation {
	var out []relation
	if f == nil {
		return nil
	}
	// What is broken here leads nowhere, which is said there.
	_ = s.walk(f, starting(func(e xml.StartElement) error {
		if e.Name.Local == "Relationship" {
			out = append(out, relation{attr(e, "Id"), attr(e, "Type"), attr(e, "Target")})
		}
		return nil
	}))
	return out
}

// choose lists the worksheets and finds the part of the one that is wanted.
func (s *bookScan) choose(book *zip.File, parts map[string]*zip.File, worksheet string) (*zip.File, error) {
	name := partName(book.Name)
	dir := path.Dir(name)
	targets := map[string]relation{}
	for _, r := range s.relations(parts[path.Join(dir, "_rels", path.Base(name)+".rels")]) {
		targets[r.id] = r
	}
	var chosen *zip.File
	known := map[string]bool{}
	err := s.walk(book, starting(func(e xml.StartElement) error {
		r := targets[attr(e, "id")]
		if e.Name.Local != "sheet" || !strings.HasSuffix(r.kind, "/worksheet") {
			return nil
		}
		title := attr(e, "name")
		if known[strings.ToLower(title)] {
			return fmt.Errorf("the workbook has two worksheets named %q", title)
		}
		known[strings.ToLower(title)] = true
		s.names = append(s.names, title)
		if chosen == nil && (worksheet == "" || strings.EqualFold(title, worksheet)) {
			where := path.Join(dir, partName(r.target))
			if strings.HasPrefix(r.target, "/") {
				where = partName(r.target)
			}
			if s.sheet, chosen = title, parts[where]; chosen == nil {
				return fmt.Errorf("the workbook lists the worksheet %q and does not hold it", title)
			}
		}
		return nil
	}))
	switch {
	case err != nil:
		return nil, err
	case len(s.names) == 0:
		return nil, errors.New("the workbook has no worksheet")
	case chosen == nil:
		return nil, fmt.Errorf("no worksheet is named %q; there are %s", worksheet, quoted(s.names))
	}
	return chosen, nil
}

// quoted lists names; of many, the first.
func quoted(names []string) string {
	const most = 20
	var out []string
	for _, n := range names[:min(len(names), most)] {
		out = append(out, strconv.Quote(n))
	}
	if len(names) > most {
		out = append(out, fmt.Sprintf("%d more", len(names)-most))
	}
	return strings.Join(out, ", ")
}

// A styleScan finds the styles whose numbers show zeros in front.
type styleScan struct {
	*bookScan
	formats map[string]int
	inside  bool // of the list of the cells' styles
}

func (s *styleScan) element(e xml.StartElement) error {
	switch e.Name.Local {
	case "numFmt":
		code := attr(e, "formatCode")
		if n := len(code); n > 1 && n <= spreadsheetDigits && strings.Trim(code, "0") == "" {
			if s.formats == nil {
				s.formats = map[string]int{}
			}
			s.formats[attr(e, "numFmtId")] = n
		}
	case "cellXfs":
		s.inside = true
	case "cellStyles", "dxfs":
		s.inside = false
	case "xf":
		if s.inside {
			s.zeros = append(s.zeros, s.formats[attr(e, "numFmtId")])
		}
	}
	return nil
}
