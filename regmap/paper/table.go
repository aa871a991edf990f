package paper

import (
	"strings"
	"unicode"
)

// isNumber says whether s is a decimal number as an Entry may hold it: at most
// one sign, digits with at most one point among or around them, an exponent.
func isNumber(s string) bool {
	s = unsigned(s)
	mantissa, exponent, scaled := strings.Cut(strings.ToLower(s), "e")
	whole, part, _ := strings.Cut(mantissa, ".")
	if whole+part == "" || !digits(whole) || !digits(part) {
		return false
	}
	exponent = unsigned(exponent)
	return !scaled || exponent != "" && digits(exponent)
}

func unsigned(s string) string {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		return s[1:]
	}
	return s
}

// digits says whether s holds nothing but the digits 0 to 9.
func digits(s string) bool {
	return strings.Trim(s, "0123456789") == ""
}

// notFinite says whether s is how NaN or an infinity is written.
func notFinite(s string) bool {
	switch strings.ToLower(unsigned(s)) {
	case "nan", "inf", "infinity":
		return true
	}
	return false
}

// number says whether e is written and aligned as a number.
func (e Entry) number() bool { return e.Number && isNumber(e.Text) }

// split gives the text of a number before its point, and from it on.
func split(s string) (whole, part string) {
	if i := strings.IndexAny(s, ".eE"); i >= 0 {
		return s[:i], s[i:]
	}
	return s, ""
}

// A measure gives the width of a character, in whatever unit a back end has.
type measure func(rune) float64

func (m measure) of(s string) float64 {
	var w float64
	for _, r := range s {
		w += m(r)
	}
	return w
}

// wrap breaks s into lines no wider than width: at blanks where it can, inside
// a word where the word alone is wider. Runs of blanks count as one. There is
// always a line, and each holds at least one character.
func wrap(s string, width float64, m measure) []string {
	var lines []string
	var line strings.Builder
	var used float64
	flush := func() {
		lines = append(lines, line.String())
		line.Reset()
		used = 0
	}
	blank := m(' ')
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) {
		w := m.of(word)
		if line.Len() > 0 {
			if used+blank+w <= width {
				line.WriteByte(' ')
				line.WriteString(word)
				used += blank + w
				continue
			}
			flush()
		}
		pieces := chop(word, width, m)
		for _, piece := range pieces[:len(pieces)-1] {
			line.WriteString(piece)
			flush()
		}
		last := pieces[len(pieces)-1]
		line.WriteString(last)
		used = m.of(last)
	}
	if line.Len() > 0 || len(lines) == 0 {
		flush()
	}
	return lines
}

// chop cuts s into pieces no wider than width, blanks kept, each of at least
// one character; there is always a piece.
func chop(s string, width float64, m measure) []string {
	var pieces []string
	start, used := 0, 0.0
	for i, r := range s {
		w := m(r)
		if i > start && used+w > width {
			pieces = append(pieces, s[start:i])
			start, used = i, 0
		}
		used += w
	}
	return append(pieces, s[start:])
}

// hanging parts a line that begins with "- " from the rest of it: what follows
// is set in by as much.
func hanging(line string) (mark, rest string) {
	if rest, ok := strings.CutPrefix(line, "- "); ok {
		return "- ", rest
	}
	return "", line
}

// A need is how much room a column wants.
type need struct {
	natural float64 // width of its widest entry
	least   float64 // below this, words break
	weight  float64
}

// widths shares the room of a line among columns, gaps already taken off.
// Columns without weight get what they need and those with weight the rest by
// their weights; where the room does not suffice, the widest columns give way
// first, none below its least; where even that is too much, all shrink.
func widths(needs []need, room float64) []float64 {
	out := make([]float64, len(needs))
	var fixed, least, weights float64
	for i, n := range needs {
		out[i] = min(n.least, n.natural)
		least += out[i]
		if n.weight > 0 {
			weights += n.weight
			fixed += out[i]
		} else {
			fixed += n.natural
		}
	}
	switch {
	case least > room:
		for i := range out {
			out[i] *= room / least
		}
	case fixed > room:
		giveWay(out, needs, room)
	default:
		for i, n := range needs {
			if n.weight == 0 {
				out[i] = n.natural
			}
		}
		if weights > 0 {
			shareRest(out, needs, room)
		}
	}
	return out
}

// giveWay finds the width above which columns without weight are cut so that
// all fit: by halving, since the sum only grows with it.
func giveWay(out []float64, needs []need, room float64) {
	least := append([]float64(nil), out...)
	low, high := 0.0, room
	for range 50 {
		limit := (low + high) / 2
		var sum float64
		for i, n := range needs {
			out[i] = least[i]
			if n.weight == 0 {
				out[i] = max(least[i], min(n.natural, limit))
			}
			sum += out[i]
		}
		if sum > room {
			high = limit
		} else {
			low = limit
		}
	}
	for i, n := range needs {
		out[i] = least[i]
		if n.weight == 0 {
			out[i] = max(least[i], min(n.natural, low))
		}
	}
}

// shareRest gives columns with weight what the others leave: by their weights,
// but none less than it has already.
func shareRest(out []float64, needs []need, room float64) {
	open := map[int]bool{}
	for i, n := range needs {
		if n.weight > 0 {
			open[i] = true
		}
	}
	for len(open) > 0 {
		rest, weights := room, 0.0
		for i, n := range needs {
			if open[i] {
				weights += n.weight
			} else {
				rest -= out[i]
			}
		}
		short := -1
		for i, n := range needs {
			if open[i] && rest*n.weight/weights < out[i] {
				short = i
				break
			}
		}
		if short >= 0 {
			delete(open, short)
			continue
		}
		for i, n := range needs {
			if open[i] {
				out[i] = rest * n.weight / weights
			}
		}
		return
	}
}

// A pointColumn is how the numbers of a column stand on their decimal point:
// the width before it and from it on.
type pointColumn struct{ whole, part float64 }

// points measures column j of t; m gives the measure of an entry.
func points(t Table, j int, m func(Entry) measure) pointColumn {
	var p pointColumn
	for _, row := range t.Rows {
		if e := row[j]; e.number() {
			whole, part := split(e.Text)
			p.whole = max(p.whole, m(e).of(whole))
			p.part = max(p.part, m(e).of(part))
		}
	}
	return p
}

// needOf is the room that column j of t wants; no word wider than longest
// keeps a column from shrinking.
func needOf(t Table, j int, longest float64, head measure, m func(Entry) measure) need {
	c := t.Columns[j]
	n := need{weight: c.Weight}
	see := func(s string, m measure, whole bool) {
		n.natural = max(n.natural, m.of(s))
		if whole {
			n.least = max(n.least, m.of(s))
			return
		}
		for word := range strings.FieldsSeq(s) {
			n.least = max(n.least, m.of(word))
		}
	}
	see(c.Head, head, false)
	for _, row := range t.Rows {
		see(row[j].Text, m(row[j]), row[j].number())
	}
	if c.Align == AlignPoint {
		p := points(t, j, m)
		n.natural = max(n.natural, p.whole+p.part)
		n.least = max(n.least, p.whole+p.part)
	}
	n.least = min(n.least, longest)
	return n
}

// columnsOf is how many columns of a terminal a character takes: none for
// marks that combine, two for wide ones. Source: from memory, UAX 11 (the
// ranges of wide characters are its greater blocks only).
func columnsOf(r rune) float64 {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul),
		r >= 0x3000 && r <= 0x303E, r >= 0xFF01 && r <= 0xFF60, r >= 0xFFE0 && r <= 0xFFE6,
		r >= 0x1F300 && r <= 0x1FAFF:
		return 2
	}
	return 1
}
