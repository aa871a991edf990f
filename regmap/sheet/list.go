package sheet

import (
	"fmt"
	"path/filepath"
	"strings"

	"plumbline/regmap"
)

// listing is a register list on its way into a map.
type listing struct {
	*Result
	t       *table // of the section being read
	out     *outline
	entries []*entry
	section regmap.Table
	words   string // the title that named the section's table
	last    *entry
	more    map[*entry][]string // names for numbers on rows below
	bitFrom int
	ours    ours
}

// List makes a map of register lists: rows of cells as a spreadsheet has them,
// of one list or of several with headings of their own below each other. Where
// they cannot tell something that must be known, Questions has it in words and
// Map is nil. The error wraps ErrSource when the rows are no register list.
func List(source string, rows []Row, o Options) (*Result, error) {
	out, err := findTables(source, rows, o)
	if err != nil {
		return nil, err
	}
	l := &listing{Result: &Result{Kind: "register list"}, out: out, more: map[*entry][]string{}}
	l.headings(source, o)
	l.read()
	l.Own = true
	for _, t := range out.tables {
		l.Columns = append(l.Columns, t.columns...)
		l.Own = l.Own && t.own
	}
	countings := l.settleAll(o.CountFrom)
	if len(l.Questions) > 0 {
		return l.Result, nil
	}
	l.countBits()
	for _, e := range l.entries {
		it, err := l.item(e, countings[e.t])
		if err != nil {
			l.leave(e.place, rowText(e.row), err.Error(), false)
			continue
		}
		l.items = append(l.items, it)
	}
	l.joinBits()
	l.nameItems()
	l.joinOurs()
	if len(l.items) == 0 {
		return l.Result, nil
	}
	if err := l.settle(source); err != nil {
		return nil, err
	}
	return l.Result, nil
}

// read goes through the sections row by row.
func (l *listing) read() {
	sheet := ""
	for i, s := range l.out.sections {
		if s.head.Sheet != sheet {
			sheet = s.head.Sheet
			l.section, l.words, l.last = 0, "", nil
			if t, ok := wholeTitle(sheet); ok {
				l.section, l.words = t, "the name of its worksheet"
			}
		}
		if s.first {
			l.titleAbove(s.head)
		}
		if l.t = s.t; i > 0 {
			l.leave(rowPlace(s.head), rowText(s.head), "headings", true)
		}
		for _, r := range s.rows {
			if s.own != "" {
				l.readOurs(s.own, r)
				continue
			}
			l.readRow(r)
		}
	}
	for _, name := range l.out.idle {
		l.note("the worksheet %q has no heading of an address column and is not read", name)
	}
}

// settleAll finds out how the addresses are counted, and asks what cannot be
// known. Tables whose address columns have one heading count alike.
func (l *listing) settleAll(told CountFrom) map[*table]counting {
	of := map[string][]*entry{}
	var order []string
	for _, e := range l.entries {
		key := normal(e.t.columns[e.t.at[roleAddress]].Heading)
		if of[key] == nil {
			order = append(order, key)
		}
		of[key] = append(of[key], e)
	}
	out := map[*table]counting{}
	for _, key := range order {
		c := l.settleCounting(of[key], told)
		for _, e := range of[key] {
			out[e.t] = c
		}
		l.askTable(of[key], c)
	}
	for _, t := range l.out.tables {
		l.askScale(t)
	}
	return out
}

// headings notes what stands above the table and what each column is.
func (l *listing) headings(source string, o Options) {
	base := filepath.Base(source)
	l.head = header{device: o.Device, comments: []string{"Made by plumbline import of " + base + "."}}
	if o.Device == "" {
		l.head.device = clean(strings.TrimSuffix(base, filepath.Ext(base)))
	}
	if l.head.device == "" {
		l.head.device = "device"
	}
	for _, r := range l.out.above {
		if s := rowText(r); s != "" {
			l.leave(rowPlace(r), s, "above the headings", true)
			l.head.comments = append(l.head.comments, rowPlace(r)+": "+s)
		}
	}
	for _, t := range l.out.tables {
		for _, c := range t.columns {
			switch {
			case c.Role != "":
				l.head.comments = append(l.head.comments, fmt.Sprintf("%s is taken for the %s (%s)", c, c.Role, c.Sure))
			case c.Heading != "":
				l.head.comments = append(l.head.comments, fmt.Sprintf("%s is not used", c))
			}
		}
		l.loneColumns(t)
	}
}

// loneColumns adds columns that have cells and no heading.
func (l *listing) loneColumns(t *table) {
	widest := 0
	for _, r := range t.rows {
		widest = max(widest, len(r.Cells))
	}
	for i := range widest {
		if i < len(t.columns) && t.columns[i].Heading != "" {
			continue
		}
		for _, r := range t.rows {
			if cell(r, i) != "" {
				l.note("column %s has cells and no heading, it is not used", letter(i))
				break
			}
		}
	}
}

func rowPlace(r Row) string {
	if r.Sheet != "" {
		return fmt.Sprintf("row %d of %s", r.Number, clip(r.Sheet))
	}
	return fmt.Sprintf("row %d", r.Number)
}

// rowText is a row's cells on one line.
func rowText(r Row) string {
	var parts []string
	for _, c := range r.Cells {
		if c = clean(c); c != "" {
			parts = append(parts, c)
		}
	}
	return strings.Join(parts, " | ")
}

var reservedWords = []string{"reserved", "reserve", "spare", "unused", "not used", "n a", "free", "do not use", "not implemented", "reserviert", "padding", "pad"}

// readRow reads what can be read before the list's counting is known.
func (l *listing) readRow(r Row) {
	text := rowText(r)
	place, addressCell := rowPlace(r), l.t.get(r, roleAddress)
	switch {
	case text == "":
		return
	case addressCell == "":
		l.rowWithoutAddress(r, place, text)
		return
	case normal(addressCell) == normal(l.t.columns[l.t.at[roleAddress]].Heading):
		l.leave(place, text, "the headings again", true)
		return
	case l.reserved(r):
		l.leave(place, text, "reserved", true)
		return
	}
	a, err := parseAddress(addressCell)
	if err != nil {
		if _, ok := titleTable(text); !strings.Contains(text, "|") && (ok || !strings.ContainsAny(text, "0123456789")) {
			l.rowWithoutAddress(r, place, text)
			return
		}
		l.leave(place, text, err.Error(), false)
		return
	}
	if prev := l.last; prev != nil && prev.t == l.t && l.bare(r) && a.bit < 0 && a.number > prev.address.number && a.number-prev.address.number < 4 {
		l.leave(place, text, "an address alone: more of "+prev.place, true)
		return
	}
	e := &entry{t: l.t, row: r, place: place, address: a}
	if err := l.entryTable(e); err != nil {
		l.leave(place, text, err.Error(), false)
		return
	}
	if s := l.t.get(r, roleType); s != "" && s != "-" {
		if e.typ, err = parseListType(s); err != nil {
			l.leave(place, text, err.Error(), false)
			return
		}
		e.hasType = e.typ.name != ""
	}
	l.entries = append(l.entries, e)
	l.last = e
}

// bare says whether a row has addresses and nothing else that is used.
func (l *listing) bare(r Row) bool {
	for i, c := range l.t.columns {
		if c.Role != roleAddress && c.Role != roleOffset && c.Role != "" && cell(r, i) != "" {
			return false
		}
	}
	return l.t.has(roleName) || l.t.has(roleAbout)
}

// reserved says whether a row describes a register that holds nothing.
func (l *listing) reserved(r Row) bool {
	for _, role := range []string{roleName, roleAbout, roleType} {
		n := normal(l.t.get(r, role))
		for _, w := range reservedWords {
			if n == w || role != roleType && strings.HasPrefix(n, w+" ") && len(n) < 30 {
				return true
			}
		}
	}
	return false
}

// rowWithoutAddress is a title, or more of the row above.
func (l *listing) rowWithoutAddress(r Row, place, text string) {
	if l.title(place, text) {
		return
	}
	for _, role := range []string{roleValues, roleRemark, roleRange, roleAbout} {
		s := l.t.get(r, role)
		if m := namedPattern.FindStringSubmatch(strings.ToLower(clean(s))); m != nil && l.last != nil && s == strings.TrimSpace(text) {
			l.more[l.last] = append(l.more[l.last], s)
			l.leave(place, text, "added to "+l.last.place, true)
			return
		}
	}
	if !strings.Contains(text, "|") {
		l.leave(place, text, "a title or remark, no address", true)
		return
	}
	l.leave(place, text, "no address", false)
}

// title says whether a row is a title that names the table of what follows.
func (l *listing) title(place, text string) bool {
	if strings.Contains(text, "|") {
		return false
	}
	t, ok := titleTable(text)
	if ok {
		l.section, l.words = t, "the title in "+place
		l.leave(place, text, "a title: "+t.String()+"s follow", true)
	}
	return ok
}

// titleAbove takes a title above the first headings that is the name of a
// table, where it is the only one.
func (l *listing) titleAbove(head Row) {
	var named regmap.Table
	words, n := "", 0
	for _, r := range l.out.above {
		if t, ok := wholeTitle(rowText(r)); ok && r.Sheet == head.Sheet {
			named, words = t, "the title in "+rowPlace(r)
			n++
		}
	}
	if n == 1 {
		l.section, l.words = named, words
	}
}

// wholeTitle reads a title that is a table's name and nothing else: "Holding
// registers (4x)".
func wholeTitle(s string) (regmap.Table, bool) {
	if at := strings.IndexAny(s, "([{"); at > 0 {
		s = s[:at]
	}
	t, ok := parseTableWord(s)
	return t, ok && len(normal(s)) > 2
}

// titleTable reads a title that names a table: "Holding registers (4x)".
func titleTable(s string) (regmap.Table, bool) {
	if t, ok := parseTableWord(s); ok && len(normal(s)) > 1 {
		return t, true
	}
	n := normal(s)
	for _, w := range []string{"holding register", "input register", "discrete input", "coil"} {
		if strings.Contains(n, w) {
			return tableWords[w], true
		}
	}
	return 0, false
}

// entryTable collects what the row says about its table beside the number.
func (l *listing) entryTable(e *entry) error {
	add := func(t regmap.Table, why string) error {
		if e.table != 0 && e.table != t {
			return fmt.Errorf("%s says %s, and %s says %s", e.why, e.table, why, t)
		}
		e.table, e.why = t, why
		return nil
	}
	if e.address.table != 0 {
		e.table, e.why = e.address.table, "the address"
	}
	if s := e.get(roleTable); s != "" {
		t, ok := parseTableWord(s)
		if !ok {
			return fmt.Errorf("%q is no table that is known, such as holding register or 4x", clip(s))
		}
		if err := add(t, "its table"); err != nil {
			return err
		}
	}
	if s := e.get(roleFunction); s != "" && s != "-" {
		f, ok := parseFunctions(s)
		if !ok {
			return fmt.Errorf("%q is no function code, or two of different tables", clip(s))
		}
		e.function = f
		if err := add(f.table, "its function code"); err != nil {
			return err
		}
	}
	if e.table == 0 && l.section != 0 {
		e.table, e.why = l.section, l.words
	}
	if e.table == 0 && e.t.fixed != 0 {
		e.table, e.why = e.t.fixed, "what was told"
	}
	return nil
}

// askTable asks for the table where neither number nor words give it.
func (l *listing) askTable(entries []*entry, c counting) {
	if c.from == 0 {
		return
	}
	missing, first := 0, ""
	for _, e := range entries {
		_, isReference := e.reference()
		if e.table == 0 && !(c.references && isReference) {
			if a, ok := parseAccess(e.get(roleAccess)); ok && a.write && e.hasType && e.typ.name != "bool" {
				e.table, e.why = regmap.HoldingRegister, "what can be written"
				continue
			}
			if missing++; first == "" {
				first = fmt.Sprintf("%s (%s)", e.place, clip(rowText(e.row)))
			}
		}
	}
	if missing > 0 {
		l.ask("which table do %d rows lie in, %s first? No column, title or leading digit says so. Say --column table=HEADING, or for all of them --column table=holding-register (or input-register, coil, discrete-input)", missing, first)
	}
}

// askScale asks whether whole numbers in a column headed 'scale' multiply or
// divide.
func (l *listing) askScale(t *table) {
	i, ok := t.at[roleScale]
	if !ok || t.has(roleTimes) || t.has(roleDivide) {
		return
	}
	for _, e := range l.entries {
		if e.t != t {
			continue
		}
		s := e.get(roleScale)
		r, kind, err := parseScale(s)
		if s == "" || err != nil || kind != scaleBare || !r.IsInt() || r.Num().Int64() == 1 {
			continue
		}
		c := t.columns[i]
		l.ask("%s: is the raw number multiplied by it or divided? %s has %s. Say --column times=%q or --column divide=%q", c, e.place, s, c.Heading, c.Heading)
		return
	}
}
