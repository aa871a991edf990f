package sheet

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
)

// table is a list with its headings found: which column has which role.
type table struct {
	source  string
	columns []Column
	at      map[string]int // role -> column
	fixed   regmap.Table   // the table told for the whole list; 0: none
	rows    []Row          // rows below
	own     bool           // of a register list that this program wrote
}

// newTable gives each column of a row of headings its role, by the rows below
// it. missing are the roles told for headings that it does not have.
func newTable(source string, head Row, rows []Row, o Options) (t *table, missing []string, err error) {
	t = &table{source: source, at: map[string]int{}, rows: rows}
	if missing, err = t.told(head, o.Columns); err != nil {
		return nil, nil, err
	}
	t.assign(head)
	t.reconsider()
	for role, i := range t.at {
		t.columns[i].Role = role
	}
	t.own = slices.ContainsFunc(t.columns, func(c Column) bool { return c.Heading == ownHeading })
	return t, missing, nil
}

// headingScore is how many cells of a row are headings; 0 without an address.
func headingScore(r Row, told map[string]string) int {
	n, address := 0, false
	for _, c := range r.Cells {
		role, _ := roleOf(c)
		for as, h := range told {
			if normal(h) == normal(c) && normal(c) != "" {
				role = as
			}
		}
		if role != "" {
			n++
		}
		address = address || role == roleAddress
	}
	if !address || n < 2 {
		return 0
	}
	return n
}

// told gives columns the roles that the importing person named.
func (t *table) told(head Row, columns map[string]string) (missing []string, err error) {
	for i, c := range head.Cells {
		t.columns = append(t.columns, Column{Letter: letter(i), Heading: clean(c)})
	}
	roles := Roles()
	named := make([]string, 0, len(columns))
	for role := range columns {
		named = append(named, role)
	}
	slices.Sort(named)
	for _, role := range named {
		if !slices.Contains(roles, role) {
			return nil, sourceError(t.source, "--column %q names no role; roles are %s", role, strings.Join(roles, ", "))
		}
		want := columns[role]
		if fixed, ok := regmap.ParseTable(want); ok && role == roleTable {
			t.fixed = fixed
			continue
		}
		at := slices.IndexFunc(t.columns, func(c Column) bool { return normal(c.Heading) == normal(want) || c.Letter == want })
		if at < 0 {
			missing = append(missing, role)
			continue
		}
		t.at[role] = at
		t.columns[at].Sure, t.columns[at].Why = Settled, "told"
	}
	return missing, nil
}

func (t *table) headings() []string {
	var out []string
	for _, c := range t.columns {
		if c.Heading != "" {
			out = append(out, fmt.Sprintf("%q", c.Heading))
		}
	}
	return out
}

// letter is a column's name in a spreadsheet.
func letter(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}

// assign gives the other columns their roles by their headings, the surest
// first; of two columns with one role the first has it.
func (t *table) assign(head Row) {
	for _, sure := range []Surety{Settled, Likely} {
		for i, c := range head.Cells {
			if t.columns[i].Sure != Unused {
				continue
			}
			role, s := roleOf(c)
			if s != sure {
				continue
			}
			why := "by its heading"
			if role == roleAddress && t.has(roleAddress) {
				if normal(c) == "offset" && !t.has(rolePlus) && !t.addresses(i) {
					role, sure, why = rolePlus, Likely, "a second column beside the address, its cells are no addresses"
				} else {
					role = roleOffset
				}
			}
			if t.has(role) {
				t.columns[i].Why = "the role " + role + " is already that of column " + t.columns[t.at[role]].Letter
				continue
			}
			t.at[role] = i
			t.columns[i].Sure, t.columns[i].Why = s, why
		}
	}
}

func (t *table) has(role string) bool { _, ok := t.at[role]; return ok }

// addresses says whether the cells of a column grow like addresses do.
func (t *table) addresses(column int) bool {
	last, grows, n := -1, true, 0
	for _, r := range t.rows {
		a, err := parseAddress(cell(r, column))
		if err != nil {
			continue
		}
		grows = grows && a.number >= last
		if a.number > last {
			n++
		}
		last = a.number
	}
	return grows && n > 2 || n > len(t.rows)/2 && len(t.rows) > 0
}

func cell(r Row, column int) string {
	if column < 0 || column >= len(r.Cells) {
		return ""
	}
	return strings.TrimSpace(r.Cells[column])
}

// get is a row's cell with the given role; "" without such a column.
func (t *table) get(r Row, role string) string {
	i, ok := t.at[role]
	if !ok {
		return ""
	}
	return cell(r, i)
}

// reconsider looks at the cells where a heading has two meanings.
func (t *table) reconsider() {
	move := func(from, to, why string) {
		if t.has(to) {
			return
		}
		i := t.at[from]
		delete(t.at, from)
		t.at[to] = i
		t.columns[i].Sure, t.columns[i].Why = Likely, why
	}
	told := func(role string) bool { return t.columns[t.at[role]].Why == "told" }
	share := func(role string, is func(string) bool) bool {
		yes, all := 0, 0
		for _, r := range t.rows {
			if s := t.get(r, role); s != "" {
				all++
				if is(s) {
					yes++
				}
			}
		}
		return all > 0 && 2*yes > all
	}
	if t.has(roleType) && !told(roleType) {
		switch {
		case share(roleType, func(s string) bool { _, ok := parseTableWord(s); return ok }):
			move(roleType, roleTable, "its cells name tables")
		case share(roleType, func(s string) bool { _, ok := parseAccess(s); return ok }):
			move(roleType, roleAccess, "its cells say read and write")
		}
	}
	if t.has(roleTable) && !told(roleTable) && share(roleTable, func(s string) bool { _, err := parseType(s); return err == nil }) {
		move(roleTable, roleType, "its cells are data types")
	}
	if t.has(roleFunction) && !told(roleFunction) && !share(roleFunction, func(s string) bool { _, ok := parseFunctions(s); return ok }) {
		move(roleFunction, roleAbout, "its cells are words, not function codes")
	}
	if t.has(roleName) && !told(roleName) && share(roleName, func(s string) bool { _, err := parseAddress(s); return err == nil }) {
		i := t.at[roleName]
		delete(t.at, roleName)
		t.columns[i].Sure, t.columns[i].Why = Unused, "its cells are numbers, not names"
	}
}
