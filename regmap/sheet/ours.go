package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// ownHeading is the heading that only register lists of this program have; by
// it their words are known to be ours (regmap/agree writes them).
const ownHeading = "Asked for with"

// ownName is a name as maps have them.
var ownName = regexp.MustCompile(`^[a-z][a-z0-9]*(?:-[a-z0-9]+)*$`)

// ownTables are the headings of the further tables of our lists.
var ownTables = map[string]string{
	"Reference|Bits|Name|Means|About": "bits", "Name|Number|Means": "values", "Name|Tag|Worked out of|Units|Limits|About": "derived",
	"Table|From|To|Addresses|Count|Use": "memory", "Key of the map|Value": "map",
}

// ownTable says which of our further tables a row is the headings of; "" for
// none.
func ownTable(r Row) string {
	return ownTables[strings.TrimRight(strings.Join(r.Cells, "|"), "|")]
}

// ours is what the further tables of our own lists say.
type ours struct {
	bits   []ownRow
	values map[string][]ownRow // by the name of the point or bit
	named  []string            // the names, in order
}

type ownRow struct {
	place string
	cells []string
	text  string
}

// readOurs takes one row of a further table.
func (l *listing) readOurs(kind string, r Row) {
	row := ownRow{place: rowPlace(r), text: rowText(r)}
	for i := range 6 {
		row.cells = append(row.cells, clean(cell(r, i)))
	}
	switch {
	case row.text == "":
	case l.title(row.place, row.text):
	case !strings.Contains(row.text, "|"):
		l.leave(row.place, row.text, "a title or remark, no address", true)
	case kind == "bits":
		l.ours.bits = append(l.ours.bits, row)
	case kind == "values":
		if l.ours.values == nil {
			l.ours.values = map[string][]ownRow{}
		}
		name := row.cells[0]
		if l.ours.values[name] == nil {
			l.ours.named = append(l.ours.named, name)
		}
		l.ours.values[name] = append(l.ours.values[name], row)
	case kind == "derived":
		l.ownDerived(row)
	case kind == "map":
		l.ownKey(row)
	default:
		l.leave(row.place, row.text, "addresses in use, which follow from the points", true)
	}
}

// ownDerived takes a point that is worked out of others.
func (l *listing) ownDerived(row ownRow) {
	name, tag, formula, units, limits, about := row.cells[0], row.cells[1], row.cells[2], row.cells[3], row.cells[4], row.cells[5]
	if !ownName.MatchString(name) || formula == "" {
		l.leave(row.place, row.text, "no name of a point with what it is worked out of", false)
		return
	}
	it := newItem(row.place)
	parts := []pair{{"derive", quote(formula)}}
	for _, p := range []pair{{"tag", tag}, {"about", about}, {"units", units}} {
		if p.value != "" {
			parts = append(parts, pair{p.key, quote(p.value)})
		}
	}
	rest := ownLimits(limits, it)
	for _, s := range rest {
		l.leave(row.place, s, "not understood among its limits", false)
	}
	l.head.derived = append(l.head.derived, pair{name, flow(append(parts, it.extra...))})
}

// ownKey takes what a list says of its map.
func (l *listing) ownKey(row ownRow) {
	key, value := row.cells[0], row.cells[1]
	block, part, inner := strings.Cut(key, ".")
	_, isTable := regmap.ParseTable(part)
	switch {
	case key == "device":
		l.head.device = value
	case key == "about":
		l.head.about = value
	case key == "revision" || key == "date" || key == "author":
		l.head.keys = append(l.head.keys, pair{key, quote(value)})
	case key == "agreed":
		of := ownParts(value)
		for len(of) < 3 {
			of = append(of, "")
		}
		l.head.add("agreed", "", flow([]pair{{"who", quote(of[0])}, {"for", quote(of[1])}, {"date", quote(of[2])}}))
	case inner && block == "limits" && strings.Trim(value, "0123456789") == "":
		l.head.add(block, part, value)
	case inner && block == "holes" && isTable && strings.Trim(value, "0123456789-") == "":
		l.head.add(block, part, value)
	default:
		l.leave(row.place, row.text, fmt.Sprintf("%q is no key that a list says of its map", clip(key)), false)
	}
}

// add puts a value into a block of the map's head: a key of the block, or one
// more entry of a list where there is a value for the key already or no key.
func (h *header) add(block, key, value string) {
	h.blocks = append(h.blocks, headPart{block, key, value})
}

// flow writes pairs whose values are flow text already as one line.
func flow(pairs []pair) string {
	parts := make([]string, len(pairs))
	for i, p := range pairs {
		parts[i] = p.key + ": " + p.value
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// ownParts parts words at semicolons; a part in quotes may hold one.
func ownParts(s string) (parts []string) {
	for s = strings.TrimSpace(s); s != ""; s = strings.TrimSpace(s) {
		end := strings.IndexByte(s, ';')
		if at := strings.IndexByte(s, '"'); at >= 0 && (end < 0 || at < end) {
			if quoted, err := strconv.QuotedPrefix(s[at:]); err == nil {
				text, _ := strconv.Unquote(quoted)
				parts = append(parts, strings.TrimSpace(s[:at]+text))
				_, s, _ = strings.Cut(s[at+len(quoted):], ";")
				continue
			}
		}
		if end < 0 {
			end = len(s)
		}
		parts = append(parts, strings.TrimSpace(s[:end]))
		s = strings.TrimPrefix(s[end:], ";")
	}
	return parts
}
