package sheet

import (
	"fmt"
	"strings"
	"unicode"
)

// letters writes the accented letters of European languages with plain ones.
var letters = strings.NewReplacer(
	"ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "å", "a", "á", "a", "à", "a", "â", "a", "ã", "a", "æ", "ae", "ç", "c", "č", "c",
	"é", "e", "è", "e", "ê", "e", "ë", "e", "ě", "e", "í", "i", "ì", "i", "î", "i", "ï", "i", "ñ", "n", "ó", "o", "ò", "o", "ô", "o",
	"õ", "o", "ø", "o", "ř", "r", "š", "s", "ú", "u", "ù", "u", "û", "u", "ů", "u", "ý", "y", "ž", "z", "ł", "l", "ą", "a", "ę", "e",
	"ś", "s", "ć", "c", "ń", "n", "ż", "z", "ź", "z", "²", "2", "³", "3", "°", " deg ", "%", " percent ", "µ", "u", "μ", "u", "&", " and ")

// longestName is where names made of a description are cut, at a word.
const longestName = 40

// nameOf makes a point's name of a text: lower-case letters, digits and single
// hyphens, a letter first; "" when nothing of it can be used.
func nameOf(s string) string {
	var b strings.Builder
	for _, r := range letters.Replace(strings.ToLower(s)) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		} else {
			b.WriteByte(' ')
		}
	}
	words := strings.Fields(b.String())
	name := ""
	for _, w := range words {
		if name != "" && len(name)+1+len(w) > longestName {
			break
		}
		name = strings.TrimPrefix(name+"-"+w, "-")
	}
	if len(name) > longestName {
		name = name[:longestName]
	}
	if name != "" && (name[0] < 'a' || name[0] > 'z') {
		name = "p-" + name
	}
	return name
}

// wordsOf takes a name in mixed case apart: "PhVphA" is "Ph Vph A".
func wordsOf(s string) string {
	var b strings.Builder
	runes := []rune(s)
	for i, r := range runes {
		if i > 0 && unicode.IsUpper(r) {
			lowBefore := unicode.IsLower(runes[i-1]) || unicode.IsDigit(runes[i-1])
			lowAfter := i+1 < len(runes) && unicode.IsLower(runes[i+1]) && unicode.IsUpper(runes[i-1])
			if lowBefore || lowAfter {
				b.WriteByte(' ')
			}
		}
		b.WriteRune(r)
	}
	return b.String()
}

// names gives each name once.
type names map[string]bool

// free is the name, with a number behind it where it is taken.
func (n names) free(name string) string {
	got := name
	for i := 2; n[got]; i++ {
		got = fmt.Sprintf("%s-%d", name, i)
	}
	n[got] = true
	return got
}
