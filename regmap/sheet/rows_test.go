package sheet

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"plumbline/regmap/paper"
)

// TestRows: files as they are handed in.
func TestRows(t *testing.T) {
	for name, text := range map[string]string{
		"commas": "Register,Name\r\n40001,Level\r\n", "semicolons and a mark": "\uFEFFRegister;Name\n40001;Level\n", "tabs": "Register\tName\n40001\tLevel",
		"an apostrophe of our own": "Register,Name\n40001,'=Level\n", "Latin-1": "Register;Name\n40001;F\xf6rderstrom\n",
	} {
		rows, err := Rows(File{"list.csv", []byte(text)}, "")
		if err != nil || len(rows) != 2 || rows[1].Number != 2 || rows[1].Cells[0] != "40001" {
			t.Errorf("%s: %v, %v", name, rows, err)
			continue
		}
		if got := rows[1].Cells[1]; got != "Level" && got != "=Level" && got != "Förderstrom" {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// TestRowsBroken: the place and the reason, nothing beside the error.
func TestRowsBroken(t *testing.T) {
	for name, c := range map[string]struct{ text, worksheet, says string }{
		"a quote that is never closed": {"Register,Name\n40001,\"Level\n", "", "2:7"},
		"too many columns":             {"Register,Name" + strings.Repeat(",", 100_000) + "\n", "", "1:"},
		"UTF-16":                       {"\xff\xfeR\x00", "", "UTF-16"},
		"a worksheet of a CSV file":    {"Register,Name\n", "List", "no worksheet"},
		"a broken workbook":            {"PK\x03\x04", "", ""},
	} {
		rows, err := Rows(File{"list.csv", []byte(c.text)}, c.worksheet)
		if rows != nil || !errors.Is(err, ErrSource) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "list.csv") {
			t.Errorf("%s: %v, %v; want %q", name, rows, err, c.says)
		}
	}
}

// TestWorkbook: a list in a workbook, written by the paper room; the
// worksheet is named.
func TestWorkbook(t *testing.T) {
	table := paper.Table{Title: "List", Columns: []paper.Column{{Head: "Register"}, {Head: "Name"}, {Head: "Type"}},
		Rows: [][]paper.Entry{{{Text: "40005"}, {Text: "Level"}, {Text: "INT"}}}}
	var file bytes.Buffer
	if err := paper.Write(&file, paper.Document{Title: "Cistern", Blocks: []paper.Piece{table}}, paper.XLSX); err != nil {
		t.Fatal(err)
	}
	rows, err := Rows(File{"list.xlsx", file.Bytes()}, "List")
	if err != nil {
		t.Fatal(err)
	}
	r, err := List("list.xlsx", rows, Options{})
	if err != nil || r.Map == nil {
		t.Fatalf("%+v, %v", r, err)
	}
	if p := loads(t, r.Map).Point("level"); p == nil || p.Address != 4 {
		t.Errorf("%+v", p)
	}
	if rows, err := Rows(File{"list.xlsx", file.Bytes()}, "Other"); rows != nil || !errors.Is(err, ErrSource) {
		t.Errorf("%v, %v", rows, err)
	}
}
