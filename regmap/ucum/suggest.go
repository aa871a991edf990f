package ucum

import (
	"fmt"
	"strings"
)

// A Suggestion is the code that a free spelling probably means.
type Suggestion struct {
	Code string // Parse accepts it
	Note string // what else the spelling may mean; "" where there is no choice
}

// hint is the suggestion as the last words of a message.
func (s Suggestion) hint() string {
	if s.Note != "" {
		return fmt.Sprintf("write %s (%s)", s.Code, s.Note)
	}
	return "write " + s.Code
}

// Suggest gives the code for a spelling met in register lists: "Secs", "°C",
// "m³/h", "gpm", "bar(g)". A text that is a code already is its own
// suggestion, unless people often mean something else by it (C is coulomb, ft
// is femtotonne). ok is false where nothing is known.
func Suggest(text string) (s Suggestion, ok bool) {
	if len(text) > maxCode {
		return Suggestion{}, false
	}
	u, err := parse(text)
	if err == nil {
		if s, _, doubted := u.doubt(); doubted {
			return s, true
		}
		return Suggestion{Code: text}, true
	}
	plain, pressure := cutPressure(plainText(text))
	s, ok = spelled(plain)
	if !ok {
		return Suggestion{}, false
	}
	s.Code += pressure
	if _, err := parse(s.Code); err != nil {
		return Suggestion{}, false
	}
	return s, true
}

// Doubt says, for a code that people often write for something else, what it
// means and what they may have wanted: `"C" means coulomb; for degree Celsius
// write Cel`. It is "" for every other code.
func (u Unit) Doubt() string {
	s, d, ok := u.doubt()
	if !ok {
		return ""
	}
	return fmt.Sprintf("%q means %s; for %s %s", d.code, d.means, d.wanted, s.hint())
}

// doubt looks for units of the code, or for the whole of it, in the list of
// doubts.
func (u Unit) doubt() (Suggestion, doubt, bool) {
	for _, d := range wholeDoubts {
		if d.code == u.code {
			return Suggestion{Code: d.write}, d, true
		}
	}
	var found *doubt
	p := parser{code: u.code, known: known(), seen: func(symbol string) {
		for i := range doubts {
			if found == nil && doubts[i].code == symbol {
				found = &doubts[i]
			}
		}
	}}
	if u.code == "" {
		return Suggestion{}, doubt{}, false
	}
	if _, err := p.whole(); err != nil || found == nil {
		return Suggestion{}, doubt{}, false
	}
	s, ok := bySteps(u.code)
	if _, err := parse(s.Code); !ok || err != nil || s.Code == u.code {
		return Suggestion{}, doubt{}, false
	}
	return s, *found, true
}

// plainText writes a spelling with the characters of codes: superscripts as
// exponents, mu as u, no blanks.
func plainText(text string) string {
	text = characters.Replace(strings.TrimSpace(text))
	text = strings.ReplaceAll(text, " per ", "/")
	text = strings.ReplaceAll(text, "10^", "10*")
	return strings.ReplaceAll(text, "^", "")
}

// characters are the signs that free spellings use beside ASCII.
var characters = strings.NewReplacer(
	"⁰", "0", "¹", "1", "²", "2", "³", "3", "⁴", "4", "⁵", "5", "⁶", "6", "⁷", "7", "⁸", "8", "⁹", "9",
	"⁻", "-", "−", "-", "–", "-", "µ", "u", "μ", "u", "\u03a9", "Ohm", "\u2126", "Ohm", "\u212a", "K",
	"·", ".", "⋅", ".", "•", ".", "×", ".", "**", "", "‰", "[ppth]", "′", "'", "″", "''", "’", "'",
	"℃", "degC", "℉", "degF", "°", "deg", "º", "deg", "˚", "deg", "\u00a0", " ", "\u202f", " ",
)

// cutPressure takes "(g)" or "(a)" off the end and gives the annotation for it.
func cutPressure(text string) (rest, annotation string) {
	lower := strings.ToLower(text)
	for _, row := range pressures {
		if strings.HasSuffix(lower, row.suffix) {
			return strings.TrimSpace(text[:len(text)-len(row.suffix)]), row.annotation
		}
	}
	return text, ""
}

// spelled looks a text up as a whole, with and without its blanks and dots,
// then step by step.
func spelled(text string) (Suggestion, bool) {
	joined := strings.Join(strings.Fields(text), "")
	for _, key := range []string{text, joined, strings.ReplaceAll(joined, ".", "")} {
		if s, ok := lookUp(key); ok {
			return s, true
		}
	}
	// A blank may stand for a dot (m s-1 is no millisecond) or for nothing
	// (US gal): whichever gives a code as it stands comes first.
	tight := blanks.Replace(strings.Join(strings.Fields(text), " "))
	dotted, joined := strings.ReplaceAll(tight, " ", "."), strings.ReplaceAll(tight, " ", "")
	if u, err := parse(dotted); err == nil {
		s, _, doubted := u.doubt()
		if !doubted {
			return Suggestion{Code: dotted}, true
		}
		if dotted == joined {
			return s, true
		}
	}
	if s, ok := bySteps(joined); ok {
		return s, true
	}
	return bySteps(dotted)
}

// blanks takes out those that mean nothing.
var blanks = strings.NewReplacer(" / ", "/", " /", "/", "/ ", "/", " . ", ".", " .", ".", ". ", ".", "% ", "%")

// lookUp reads the list of spellings, whose keys are lower case.
func lookUp(key string) (Suggestion, bool) {
	s, ok := spellings[strings.ToLower(key)]
	return s, ok
}

// bySteps takes a product apart and looks each unit up.
func bySteps(text string) (Suggestion, bool) {
	var out strings.Builder
	var notes []string
	for start, i := 0, 0; i <= len(text); i++ {
		if i < len(text) && text[i] != '.' && text[i] != '/' {
			continue
		}
		if part := text[start:i]; part != "" || i > 0 {
			s, ok := byUnit(part)
			if !ok {
				return Suggestion{}, false
			}
			if part != text {
				s.Code = differences.Replace(s.Code)
			}
			if start > 0 && text[start-1] == '/' && strings.ContainsAny(s.Code, "./") {
				s.Code = "(" + s.Code + ")"
			}
			out.WriteString(s.Code)
			if s.Note != "" {
				notes = append(notes, s.Note)
			}
		}
		if i < len(text) {
			out.WriteByte(text[i])
		}
		start = i + 1
	}
	return Suggestion{Code: out.String(), Note: strings.Join(notes, "; ")}, true
}

// differences are the units of temperature that may stand in a product.
var differences = strings.NewReplacer("Cel", "K", "[degF]", "[degR]")

// byUnit finds the code for one unit with its exponent.
func byUnit(text string) (Suggestion, bool) {
	text, annotation, annotated := strings.Cut(text, "{")
	if annotated {
		annotation = "{" + annotation
	}
	if s, ok := percentOf(text); ok {
		return s, annotation == ""
	}
	if _, err := parse(text); err == nil && !doubted(text) {
		return Suggestion{Code: text + annotation}, true
	}
	name := strings.TrimRight(text, "+-0123456789")
	exponent := text[len(name):]
	s, ok := byName(name)
	if !ok || exponent != "" && strings.ContainsAny(s.Code, "./{") {
		return Suggestion{}, false
	}
	s.Code += exponent + annotation
	return s, true
}

// percentOf reads "%WMax", a percentage of something named.
func percentOf(text string) (Suggestion, bool) {
	what, ok := strings.CutPrefix(text, "%")
	if !ok || what == "" {
		return Suggestion{}, false
	}
	for _, c := range what {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9') {
			return Suggestion{}, false
		}
	}
	return Suggestion{Code: "%{" + what + "}"}, true
}

// doubted says whether the unit, without its exponent, is in the list of
// doubts.
func doubted(text string) bool {
	name := strings.TrimRight(text, "+-0123456789")
	for _, d := range doubts {
		if d.code == name {
			return true
		}
	}
	return false
}

// byName finds the code for a unit's name: a doubt, a listed spelling, a code
// without its square brackets, a prefix before a listed spelling, a code in
// other letter case.
func byName(name string) (Suggestion, bool) {
	for _, d := range doubts {
		if d.code == name {
			return Suggestion{Code: d.write}, true
		}
	}
	if s, ok := lookUp(name); ok {
		return s, true
	}
	if bracketed := "[" + name + "]"; hasAtom(bracketed) {
		return Suggestion{Code: bracketed}, true
	}
	if s, ok := byPrefix(name); ok {
		return s, true
	}
	return byLetterCase(name)
}

func hasAtom(code string) bool {
	_, ok := known()[code]
	return ok
}

// byPrefix reads kohm, kWh, MVAr: a prefix before a listed spelling.
func byPrefix(name string) (Suggestion, bool) {
	for _, p := range prefixes {
		rest, cut := strings.CutPrefix(name, p.code)
		if !cut {
			if rest, cut = strings.CutPrefix(name, "K"); !cut || p.code != "k" {
				continue
			}
		}
		s, ok := lookUp(rest)
		if !ok {
			continue
		}
		s.Code = p.code + s.Code
		if _, err := parse(s.Code); err == nil {
			return s, true
		}
	}
	return Suggestion{}, false
}

// byLetterCase finds the one code that differs in letter case only; of several
// the one that agrees in its first letter. One letter says too little.
func byLetterCase(name string) (Suggestion, bool) {
	if len(name) < 2 {
		return Suggestion{}, false
	}
	var same, all []string
	try := func(code string) {
		if strings.EqualFold(code, name) {
			all = append(all, code)
			if code[0] == name[0] {
				same = append(same, code)
			}
		}
	}
	for code, e := range known() {
		try(code)
		if !e.metric {
			continue
		}
		for _, p := range prefixes {
			try(p.code + code)
		}
	}
	switch {
	case len(same) == 1:
		return Suggestion{Code: same[0]}, true
	case len(same) == 0 && len(all) == 1:
		return Suggestion{Code: all[0]}, true
	}
	return Suggestion{}, false
}
