package main

import (
	"fmt"
	"io"
	"strings"
)

// cautionWidth is the longest line of the caution, in characters.
const cautionWidth = 80

// caution stands before the first write of a run. Its content is customary
// around machinery that a program can start; that a push button or a software
// "off" isolates nothing is also what OSHA says of control-circuit devices
// (29 CFR 1910.147, energy-isolating device). No country's law is named as the
// rule, because another holds elsewhere.
var caution = []string{
	"This program can start, stop or move machinery.",
	"Only someone competent and authorised for this equipment should write to it.",
	"- Know what each point does on site, not only in the map. A wrong map can act on the wrong machine.",
	"- Nobody may be in reach. Have someone at the equipment, with a working emergency stop, talking with you.",
	"- Software is no isolation. Before anyone touches the equipment: isolate, lock, tag, release stored energy, prove it dead, as your site's procedure requires. Do not rely on a value shown here as proof.",
	"- Do not bypass guards, interlocks or permits. Follow local codes, the maker's manual and the site's rules; they come first.",
	"- Others may be controlling the same equipment. Tell them; agree on who has control.",
	"- After the test, put back what was changed and check that it is so.",
	"- Work inside panels and on live parts belongs to people licensed for it.",
	"The program is not a safety function and must not be used to provide protection.",
}

// printCaution writes the caution, wrapped.
func printCaution(out io.Writer) {
	for _, line := range caution {
		fmt.Fprintln(out, strings.Join(wrapWords(line, cautionWidth), "\n"))
	}
	fmt.Fprintln(out)
}

// wrapWords breaks a line between words; an item's further lines stand under
// its text.
func wrapWords(s string, width int) []string {
	indent := ""
	if strings.HasPrefix(s, "- ") {
		indent = "  "
	}
	var lines []string
	line := ""
	for i, word := range strings.Fields(s) {
		switch {
		case i == 0:
			line = word
		case len([]rune(line))+1+len([]rune(word)) > width:
			lines = append(lines, line)
			line = indent + word
		default:
			line += " " + word
		}
	}
	return append(lines, line)
}
