package sheet

import (
	"regexp"
	"strings"
)

// joinOurs gives points the bits and the names of numbers that our own lists
// have in tables of their own.
func (l *listing) joinOurs() {
	items := map[string]*item{}
	for _, it := range l.items {
		items[it.name] = it
	}
	bits := map[*item][]pair{}
	taken := map[string]bool{}
	var words []*item
	for _, row := range l.ours.bits {
		word, name, _ := strings.Cut(row.cells[2], ".")
		it := items[word]
		if it == nil || it.typ != "bits" || !ownName.MatchString(name) || !ownBits.MatchString(row.cells[1]) {
			l.leave(row.place, row.text, "no bits of a word that is in the list", false)
			continue
		}
		keys, ok := ownBit(name, row.cells)
		if !ok {
			l.leave(row.place, row.text, "what the bit means is not understood", false)
			continue
		}
		if values := l.ownValues(row.cells[2]); values != "" {
			keys = append(keys, pair{"values", values})
			taken[row.cells[2]] = true
		}
		if bits[it] == nil {
			words = append(words, it)
		}
		value := flow(keys)
		if len(keys) == 1 {
			value = name
		}
		bits[it] = append(bits[it], pair{row.cells[1], value})
	}
	for _, it := range words {
		if it.bits != nil { // rows of single bits, in another form
			it.comments = append(it.comments, "bits by rows of their own: "+flowBlock(it.bits))
			it.bits = nil
		}
		it.extra = append(it.extra, pair{"bits", flow(bits[it])})
	}
	for _, name := range l.ours.named {
		if it := items[name]; it != nil && !taken[name] && it.typ != "string" {
			if values := l.ownValues(name); values != "" {
				it.extra, it.values = append(it.extra, pair{"values", values}), nil
			}
		} else if !taken[name] {
			row := l.ours.values[name][0]
			l.leave(row.place, row.text, "names for the numbers of a point that is not in the list", false)
		}
	}
}

var ownBits = regexp.MustCompile(`^[0-9]{1,2}(?:-[0-9]{1,2})?$`)

// ownBit is a bit's name with its keys.
func ownBit(name string, cells []string) (keys []pair, ok bool) {
	keys = []pair{{"name", name}}
	if about := cells[4]; about != "" {
		keys = append(keys, pair{"about", quote(about)})
	}
	means, alarm := strings.CutSuffix(cells[3], ", an alarm")
	switch {
	case means == "active when 0":
		keys = append(keys, pair{"active", "0"})
	case means == "active when 1", strings.HasPrefix(means, "a number of ") && !alarm:
	default:
		return nil, false
	}
	if alarm {
		keys = append(keys, pair{"alarm", "true"})
	}
	return keys, true
}

// ownValues are the names of a point's numbers as flow text.
func (l *listing) ownValues(name string) string {
	var pairs []pair
	for _, row := range l.ours.values[name] {
		if plainNumber.MatchString(row.cells[1]) && row.cells[2] != "" {
			pairs = append(pairs, pair{row.cells[1], quote(row.cells[2])})
		} else {
			l.leave(row.place, row.text, "no number with its name", false)
		}
	}
	if len(pairs) == 0 {
		return ""
	}
	return flow(pairs)
}
