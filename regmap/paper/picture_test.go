package paper

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// strip is a document with a picture that has a form in characters.
func strip() Document {
	p := Picture{Title: "Registers 0 to 9", Width: 100, Height: 20, Plain: "0  ##..`\x1b[2J\n5  .x...\n", Facts: []Fact{{Name: "Used", Value: "2"}},
		Shapes: []Shape{Label{X: 10, Y: 10, Text: "a name that is too long for its cell", Room: 40}, Label{X: 10, Y: 18, Text: "whole", Room: 60}}}
	return Document{Title: "Strip", Revision: `B/2 "}</style>` + "\n", Digest: "00ff00ff00ff00ff00ff", Date: time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC),
		Blocks: []Piece{p, Table{Sheet: "Runs", Columns: []Column{{Head: "From"}}, Rows: [][]Entry{Entries("0")}},
			Table{Sheet: "Map", Data: true, Columns: []Column{{Head: "Key"}}, Rows: [][]Entry{Entries("only-for-programs")}}}}
}

// TestPictureInCharacters: where a picture cannot be drawn its characters
// stand, made fit to show; where it can they do not.
func TestPictureInCharacters(t *testing.T) {
	for f, want := range map[Format]string{
		PlainText: "Registers 0 to 9\n  0  ##..`\\x1b[2J\n  5  .x...\nUsed  2\n",
		Markdown:  "Registers 0 to 9\n\n```\n0  ##..`\\x1b[2J\n5  .x...\n```\n\n- **Used:** 2\n",
	} {
		if got := string(written(t, strip(), f)); !strings.Contains(got, want) || strings.Contains(got, "drawn in") {
			t.Errorf("%s:\n%s\nhas not\n%s", f, got, want)
		}
	}
	page := string(written(t, strip(), HTML))
	if strings.Contains(page, "##..") || !strings.Contains(page, "<svg") {
		t.Error("the page has characters beside its picture")
	}
}

// TestLabelRoom: a label is cut at its room, and not where it fits.
func TestLabelRoom(t *testing.T) {
	page := string(written(t, strip(), HTML))
	if !strings.Contains(page, ">a name t...<") || !strings.Contains(page, ">whole<") {
		t.Errorf("%s", page[strings.Index(page, "<svg"):])
	}
}

// TestDataTables: what is for programs stands in CSV and XLSX alone, and a
// table without a title has its worksheet's name there.
func TestDataTables(t *testing.T) {
	for _, f := range []Format{PlainText, Markdown, HTML, PDF} {
		if d := written(t, strip(), f); bytes.Contains(d, []byte("only-for-programs")) {
			t.Errorf("%s holds a table that is for programs", f)
		}
	}
	r := csv.NewReader(bytes.NewReader(written(t, strip(), CSV)))
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	var lines []string
	for _, row := range rows {
		lines = append(lines, strings.Join(row, ","))
	}
	if got := strings.Join(lines, "|"); err != nil || got != "Runs|From|0|Map|Key|only-for-programs" {
		t.Errorf("%q, %v", got, err)
	}
	book, err := excelize.OpenReader(bytes.NewReader(written(t, strip(), XLSX)))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if got := strings.Join(book.GetSheetList(), "|"); got != "Runs|Map|About" {
		t.Errorf("worksheets %s", got)
	}
}

// TestFootOfThePage: revision and digest stand in the foot of each printed
// page, and nothing in a revision ends the stylesheet.
func TestFootOfThePage(t *testing.T) {
	page := string(written(t, strip(), HTML))
	if want := `content: "revision B\2f 2 \22\7d\3c\2fstyle\3e\\x0a, 00ff00ff00ff00ff"; font`; !strings.Contains(page, want) {
		t.Errorf("%s", page[strings.Index(page, "@bottom-left"):strings.Index(page, "</style>")])
	}
	if n := strings.Count(page, "</style>"); n != 1 {
		t.Errorf("%d ends of the stylesheet", n)
	}
}
