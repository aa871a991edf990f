package paper

import (
	"fmt"
	"slices"
	"time"
)

// A Document is a report as data: what every back end draws from. It is a
// value; Write changes nothing in it.
//
// Text is plain everywhere. Titles, headings, cells and other fields of one
// line go through Text, paragraphs, the caution and verbatim text through
// Block, before any back end sees them.
type Document struct {
	Title    string
	Subtitle string
	Revision string // of what the report is about; shown on the first page and in the foot
	// Digest is the SHA-256 of the source text in lower-case hex; whole on the
	// first page, its first 16 digits in the foot of each.
	Digest string
	// Date is when the report was made, as the caller says. It is shown in UTC
	// as RFC 3339 gives it, 5.6: full-date when it is midnight, else date-time
	// in whole seconds. The zero Date is not shown.
	Date    time.Time
	Caution string // stands on the first page; lines are kept
	Wide    bool   // landscape paper, for lists of many columns
	Blocks  []Piece
}

// A Piece is one block of a document: Heading, Paragraph, Table, Facts,
// Verbatim, Picture, Signatures or PageBreak.
type Piece interface {
	// cleaned gives the piece with all its text made fit to show, or says what
	// about it cannot be drawn.
	cleaned() (Piece, error)
}

// A Heading stands above what follows it. Level 1 is the greatest; what is
// below 1 or above 3 is drawn as 1 or 3.
type Heading struct {
	Level int
	Text  string
}

// A Paragraph is running text; its line feeds are kept.
type Paragraph struct{ Text string }

// A Table has a header that is repeated on each page. Each row has as many
// entries as there are columns, of which there are 1 to 1024.
type Table struct {
	Title   string // above the table, and the name of its worksheet; may be empty
	Sheet   string // of its worksheet and in CSV, where there is no title
	Data    bool   // for programs: in CSV and XLSX only
	Columns []Column
	Rows    [][]Entry
}

// A Column of a table.
type Column struct {
	Head  string
	Align Align
	// Weight is the column's share of what the other columns leave of the
	// line. A column without weight is as wide as its content, as far as there
	// is room. Below 0 and not a number count as 0.
	Weight float64
}

// Align says how the entries of a column stand below each other.
type Align int

// The alignments; the zero Align is left.
const (
	AlignLeft Align = iota
	AlignMiddle
	AlignRight
	AlignPoint // numbers on their decimal point
)

// An Entry is one cell of a table.
type Entry struct {
	Text string
	// Number says that Text is a decimal number as it shall be shown: digits
	// with at most one point, a sign in front, an exponent behind. CSV and XLSX
	// write it as a number; what is no such number is written as text, and NaN
	// and infinities are left empty there.
	Number bool
	Mono   bool // typewriter face: bytes, addresses
	Bold   bool
}

// Entries gives plain entries, one a text.
func Entries(texts ...string) []Entry {
	row := make([]Entry, len(texts))
	for i, s := range texts {
		row[i] = Entry{Text: s}
	}
	return row
}

// Facts are names with their values, one below the other.
type Facts struct{ Items []Fact }

// A Fact is a name and its value.
type Fact struct {
	Name, Value string
	Mono        bool // the value in the typewriter face
}

// Verbatim is text whose line ends and blanks are kept, in the typewriter
// face: frames, chains, extracts of files.
type Verbatim struct{ Text string }

// Signatures are lines to sign on, with 'Name', 'For', 'Date' and 'Signature'.
type Signatures struct{ Lines []Signature }

// A Signature is one such line; what is empty is left to be filled in by hand.
type Signature struct{ Name, For, Date string }

// A PageBreak begins a new page where there are pages.
type PageBreak struct{}

// clean is d with all text made fit to show, or an error for what cannot be
// drawn: then the document is zero.
func clean(d Document) (Document, error) {
	d.Title, d.Subtitle, d.Revision, d.Digest = Text(d.Title), Text(d.Subtitle), Text(d.Revision), Text(d.Digest)
	d.Caution = Block(d.Caution)
	blocks := make([]Piece, len(d.Blocks))
	for i, piece := range d.Blocks {
		if piece == nil {
			return Document{}, fmt.Errorf("block %d of the document is nil", i+1)
		}
		var err error
		if blocks[i], err = piece.cleaned(); err != nil {
			return Document{}, fmt.Errorf("block %d of the document: %w", i+1, err)
		}
	}
	d.Blocks = blocks
	return d, nil
}

func (h Heading) cleaned() (Piece, error) {
	return Heading{Level: min(max(h.Level, 1), 3), Text: Text(h.Text)}, nil
}

func (p Paragraph) cleaned() (Piece, error) { return Paragraph{Text: Block(p.Text)}, nil }

func (v Verbatim) cleaned() (Piece, error) { return Verbatim{Text: Block(v.Text)}, nil }

func (PageBreak) cleaned() (Piece, error) { return PageBreak{}, nil }

// mostColumns bounds a table: far beyond what paper can show, and what the
// library for workbooks takes without growing slow.
const mostColumns = 1024

func (t Table) cleaned() (Piece, error) {
	if n := len(t.Columns); n == 0 || n > mostColumns {
		return nil, fmt.Errorf("the table %q has %d columns; it needs at least 1 and at most %d", t.Title, n, mostColumns)
	}
	out := Table{Title: Text(t.Title), Sheet: Text(t.Sheet), Data: t.Data, Columns: slices.Clone(t.Columns), Rows: make([][]Entry, len(t.Rows))}
	for i, c := range out.Columns {
		out.Columns[i].Head = Text(c.Head)
		if !(c.Weight > 0) || c.Weight > 1e6 {
			out.Columns[i].Weight = 0
		}
	}
	for i, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return nil, fmt.Errorf("row %d of the table %q has %d entries, its columns are %d", i+1, t.Title, len(row), len(t.Columns))
		}
		out.Rows[i] = slices.Clone(row)
		for j, e := range row {
			out.Rows[i][j].Text = Text(e.Text)
		}
	}
	return out, nil
}

func (f Facts) cleaned() (Piece, error) { return Facts{Items: cleanFacts(f.Items)}, nil }

func cleanFacts(items []Fact) []Fact {
	out := slices.Clone(items)
	for i, f := range out {
		out[i].Name, out[i].Value = Text(f.Name), Text(f.Value)
	}
	return out
}

func (s Signatures) cleaned() (Piece, error) {
	out := Signatures{Lines: slices.Clone(s.Lines)}
	for i, l := range out.Lines {
		out.Lines[i] = Signature{Name: Text(l.Name), For: Text(l.For), Date: Text(l.Date)}
	}
	return out, nil
}

// date is the document's date in words, "" for none.
func (d Document) date() string {
	switch at := d.Date.UTC(); {
	case d.Date.IsZero():
		return ""
	case at.Truncate(24 * time.Hour).Equal(at):
		return at.Format(time.DateOnly)
	default:
		return at.Format(time.RFC3339)
	}
}

// stamp is the date that file formats keep beside the content: the
// document's, or a fixed one, never today's.
func (d Document) stamp() time.Time {
	if d.Date.IsZero() {
		return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return d.Date.UTC().Truncate(time.Second)
}

// head is what stands below the title.
func (d Document) head() []Fact {
	var facts []Fact
	add := func(name, value string, mono bool) {
		if value != "" {
			facts = append(facts, Fact{Name: name, Value: value, Mono: mono})
		}
	}
	add("Revision", d.Revision, false)
	add("Date", d.date(), false)
	add("Digest", d.Digest, true)
	return facts
}

// footDigits is how much of the digest stands in the foot.
const footDigits = 16

// foot is what stands at the left of each page's foot.
func (d Document) foot() string {
	digest := d.Digest
	if r := []rune(digest); len(r) > footDigits {
		digest = string(r[:footDigits])
	}
	switch {
	case d.Revision == "":
		return digest
	case digest == "":
		return "revision " + d.Revision
	}
	return "revision " + d.Revision + ", " + digest
}
