package paper

import (
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
)

// A Format is what a document is written as, named by the ending of the file
// that holds it. The zero Format is none.
type Format string

// The formats.
const (
	PlainText Format = ".txt"  // as on a terminal, 80 characters wide, 180 on wide paper
	Markdown  Format = ".md"   // CommonMark with the table extension
	CSV       Format = ".csv"  // the tables alone; RFC 4180
	HTML      Format = ".html" // one self-contained page, made to be printed
	PDF       Format = ".pdf"
	XLSX      Format = ".xlsx" // a worksheet for each table; ECMA-376
)

// Formats are all formats that Write knows.
func Formats() []Format { return []Format{PlainText, Markdown, CSV, HTML, PDF, XLSX} }

// UnknownFormat is the error for a file name whose ending is no format's.
type UnknownFormat struct{ Name string }

func (u UnknownFormat) Error() string {
	var allowed []string
	for _, f := range Formats() {
		allowed = append(allowed, string(f))
	}
	last := len(allowed) - 1
	return fmt.Sprintf("no report can be written as %q; the file name ends in %s or %s", u.Name, strings.Join(allowed[:last], ", "), allowed[last])
}

// FormatOf is the format of a file by its name's ending, of whatever case. The
// error is an UnknownFormat.
func FormatOf(name string) (Format, error) {
	ending := Format(strings.ToLower(path.Ext(strings.ReplaceAll(name, `\`, "/"))))
	for _, f := range Formats() {
		if f == ending {
			return f, nil
		}
	}
	return "", UnknownFormat{Name: name}
}

// Write writes d as f: all of it, or nothing and an error. The same document
// gives the same bytes. The error is an UnknownFormat, says which block cannot
// be drawn, or is the writer's.
func Write(w io.Writer, d Document, f Format) error {
	d, err := clean(d)
	if err != nil {
		return err
	}
	if f != CSV && f != XLSX {
		d.Blocks = slices.DeleteFunc(d.Blocks, isData)
	}
	var out []byte
	switch f {
	case PlainText:
		out = plainText(d, d.textWidth())
	case Markdown:
		out = markdown(d)
	case CSV:
		out, err = csvTables(d)
	case HTML:
		out, err = htmlPage(d)
	case PDF:
		out, err = pdfFile(d)
	case XLSX:
		out, err = xlsxFile(d)
	default:
		err = UnknownFormat{Name: string(f)}
	}
	if err != nil {
		return err
	}
	_, err = w.Write(out)
	return err
}

// isData says whether a piece is for programs alone.
func isData(p Piece) bool {
	t, ok := p.(Table)
	return ok && t.Data
}

// Widths of plain text in characters where no terminal says another.
const (
	textWidth     = 80
	wideTextWidth = 180 // landscape paper
)

func (d Document) textWidth() int {
	if d.Wide {
		return wideTextWidth
	}
	return textWidth
}

// WriteText writes d as plain text for a terminal of that width in
// characters; below 20 it is taken as 20. Errors are Write's.
func WriteText(w io.Writer, d Document, width int) error {
	d, err := clean(d)
	if err != nil {
		return err
	}
	d.Blocks = slices.DeleteFunc(d.Blocks, isData)
	_, err = w.Write(plainText(d, max(width, 20)))
	return err
}
