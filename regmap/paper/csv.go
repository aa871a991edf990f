package paper

import (
	"bytes"
	"cmp"
	"encoding/csv"
)

// csvTables writes the tables of a clean document one after another, lines
// ended as RFC 4180, 2.1 says. Where there are several, an empty line stands
// between them and each has its title in a line of its own. Text that a
// spreadsheet would take for a formula has an apostrophe in front (Cell);
// numbers stay as they are.
func csvTables(d Document) ([]byte, error) {
	var tables []Table
	for _, piece := range d.Blocks {
		if t, ok := piece.(Table); ok {
			tables = append(tables, t)
		}
	}
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	for i, t := range tables {
		var records [][]string
		if i > 0 {
			records = append(records, []string{""})
		}
		if title := cmp.Or(t.Title, t.Sheet); len(tables) > 1 && title != "" {
			records = append(records, []string{Cell(title)})
		}
		head := make([]string, len(t.Columns))
		for j, c := range t.Columns {
			head[j] = Cell(c.Head)
		}
		records = append(records, head)
		for _, row := range t.Rows {
			record := make([]string, len(row))
			for j, e := range row {
				record[j] = csvCell(e)
			}
			records = append(records, record)
		}
		if err := w.WriteAll(records); err != nil {
			return nil, err
		}
	}
	return out.Bytes(), nil
}

func csvCell(e Entry) string {
	switch {
	case e.number():
		return e.Text
	case e.Number && notFinite(e.Text):
		return ""
	}
	return Cell(e.Text)
}
