package sheet

import (
	"slices"
	"strings"
)

// An outline is the parts of a file of lists: under each row of headings a
// section. Sections whose headings are the same are one table.
type outline struct {
	sections []section
	tables   []*table
	above    []Row    // what stands above the first headings
	idle     []string // worksheets without a list
}

// A section is a run of rows under one row of headings.
type section struct {
	head  Row
	rows  []Row
	t     *table
	own   string // which of the further tables of our own lists; ""
	first bool   // of its worksheet
}

// headingRows is how many of the first rows may be the headings.
const headingRows = 30

// mostColumns is how many columns a list may have; a spreadsheet's own limit
// is 16,384.
const mostColumns = 16384

// findTables finds the rows of headings, worksheet by worksheet, and gives
// each column its role.
func findTables(source string, rows []Row, o Options) (*outline, error) {
	for _, r := range rows {
		if len(r.Cells) > mostColumns {
			return nil, sourceError(source, "%s has %d columns, at most %d are read", rowPlace(r), len(r.Cells), mostColumns)
		}
	}
	out := &outline{}
	rows = oneTitle(rows)
	for len(rows) > 0 {
		end := slices.IndexFunc(rows, func(r Row) bool { return r.Sheet != rows[0].Sheet })
		if end < 0 {
			end = len(rows)
		}
		out.worksheet(rows[:end], o.Columns)
		rows = rows[end:]
	}
	if !slices.ContainsFunc(out.sections, func(s section) bool { return s.own == "" }) {
		return nil, sourceError(source, "no heading of an address column in the first %d rows; name it with --column address=HEADING", headingRows)
	}
	out.oneSheet()
	return out, out.join(source, o)
}

// oneTitle leaves one cell of rows whose cells all hold the same words: a title
// in merged cells.
func oneTitle(rows []Row) []Row {
	rows = slices.Clone(rows)
	for i, r := range rows {
		first, n := "", 0
		for _, c := range r.Cells {
			if c = strings.TrimSpace(c); c == "" {
				continue
			}
			if n++; n == 1 {
				first = c
			} else if c != first {
				n = 0
				break
			}
		}
		if n > 1 {
			rows[i].Cells = []string{first}
		}
	}
	return rows
}

// oneSheet leaves the worksheet's name away where only one holds a list.
func (out *outline) oneSheet() {
	for _, s := range out.sections {
		if s.head.Sheet != out.sections[0].head.Sheet {
			return
		}
	}
	name := out.sections[0].head.Sheet
	bare := func(rows []Row) {
		for i := range rows {
			if rows[i].Sheet == name {
				rows[i].Sheet = ""
			}
		}
	}
	bare(out.above)
	for i := range out.sections {
		out.sections[i].head.Sheet = ""
		bare(out.sections[i].rows)
	}
}

// worksheet cuts the rows of one worksheet into sections.
func (out *outline) worksheet(rows []Row, told map[string]string) {
	start, most := -1, 0
	for i, r := range rows[:min(len(rows), headingRows)] {
		if n := headingScore(r, told); n > most {
			start, most = i, n
		}
	}
	if first := slices.IndexFunc(rows, func(r Row) bool { return ownTable(r) != "" }); first >= 0 && (start < 0 || first < start) {
		start = first
	}
	if start < 0 {
		if name := rows[0].Sheet; name != "" {
			out.idle = append(out.idle, name)
		} else {
			out.above = append(out.above, rows...)
		}
		return
	}
	out.above = append(out.above, rows[:start]...)
	if start+1 < len(rows) && ownTable(rows[start]) == "" && headingAgain(rows[start+1], told) {
		out.above = append(out.above, rows[start]) // a heading over the headings
		rows[start+1].Cells = twoLines(rows[start], rows[start+1])
		start++
	}
	for i, r := range rows[start:] {
		own := ownTable(r)
		if i == 0 || own != "" || headingAgain(r, told) {
			out.sections = append(out.sections, section{head: r, own: own, first: i == 0})
			continue
		}
		last := &out.sections[len(out.sections)-1]
		last.rows = append(last.rows, r)
	}
}

// twoLines are headings of two lines: the lower one where it says what the
// column is, else both together or the upper one.
func twoLines(upper, lower Row) []string {
	out := slices.Clone(lower.Cells)
	for i, over := range upper.Cells {
		if i == len(out) {
			out = append(out, "")
		}
		role, _ := roleOf(out[i])
		both, _ := roleOf(over + " " + out[i])
		switch {
		case strings.TrimSpace(out[i]) == "":
			out[i] = over
		case role == "" && both != "":
			out[i] = over + " " + out[i]
		}
	}
	return out
}

// headingAgain says whether a row below the headings is a row of headings
// itself: most of its cells are, and none is a number.
func headingAgain(r Row, told map[string]string) bool {
	cells := 0
	for _, c := range r.Cells {
		if strings.TrimSpace(c) == "" {
			continue
		}
		if _, err := parseNumber(c); err == nil {
			return false
		}
		cells++
	}
	n := headingScore(r, told)
	return n >= 2 && 2*n > cells
}

// join makes one table of all sections with the same headings.
func (out *outline) join(source string, o Options) error {
	rows := map[string][]Row{}
	for _, s := range out.sections {
		if key := headingKey(s.head); s.own == "" {
			rows[key] = append(rows[key], s.rows...)
		}
	}
	made := map[string]*table{}
	missing := map[string]int{}
	for i := range out.sections {
		s := &out.sections[i]
		key := headingKey(s.head)
		if s.own != "" {
			continue
		}
		if made[key] == nil {
			t, lacks, err := newTable(source, s.head, rows[key], o)
			if err != nil {
				return err
			}
			for _, role := range lacks {
				missing[role]++
			}
			for j := range t.columns {
				if len(out.tables) > 0 {
					t.columns[j].Under = rowPlace(s.head)
				}
			}
			made[key], out.tables = t, append(out.tables, t)
		}
		s.t = made[key]
	}
	for _, role := range Roles() {
		if missing[role] == len(out.tables) {
			var all []string
			for _, t := range out.tables {
				all = append(all, t.headings()...)
			}
			return sourceError(source, "no column is headed %q; the headings are %s", o.Columns[role], strings.Join(all, ", "))
		}
	}
	return nil
}

// headingKey is what two rows of the same headings share.
func headingKey(r Row) string {
	var parts []string
	for _, c := range r.Cells {
		parts = append(parts, normal(c))
	}
	return strings.TrimRight(strings.Join(parts, "|"), "|")
}
