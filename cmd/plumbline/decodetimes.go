package main

import (
	"slices"
	"strings"

	"plumbline/regmap/paper"
)

// timeWords takes out what the traffic engine says of moments and spans when it
// was given none: all moments are its beginning, and all spans nothing.
var timeWords = strings.NewReplacer(
	", the last at 0.0 s after the start", "", " since 0.0 s after the start", "", "  0.0 s after the start", "",
	"; it was heard last at 0.0 s after the start", "", ", the first at 0.0 s after the start; its longest silence was 0 ms", "",
	"  0 ms\n", "\n", `"time":"0001-01-01T00:00:00.000000000Z"`, `"time":null`,
)

// timeColumns are the columns of a report that only times can fill.
var timeColumns = []string{"Period", "Jitter", "Answer", "Median", "999 of 1000", "Longest", "Time"}

// timeFacts are the facts that only times can fill.
var timeFacts = []string{"From", "To", "Line occupied", "by bytes", "Needed for all asked"}

// withoutTimes is a report without what needs times: pictures over time, and
// the columns and facts of times.
func withoutTimes(d paper.Document) paper.Document {
	var out []paper.Piece
	for _, b := range d.Blocks {
		switch b := b.(type) {
		case paper.Picture:
			if _, above := out[len(out)-1].(paper.Heading); above {
				out = out[:len(out)-1]
			}
		case paper.Table:
			out = append(out, withoutColumns(b))
		case paper.Paragraph:
			out = append(out, paper.Paragraph{Text: timeWords.Replace(b.Text)})
		case paper.Verbatim:
			out = append(out, paper.Verbatim{Text: timeWords.Replace(b.Text + "\n")})
		case paper.Facts:
			b.Items = slices.DeleteFunc(slices.Clone(b.Items), func(f paper.Fact) bool { return slices.Contains(timeFacts, f.Name) })
			out = append(out, b)
		default:
			out = append(out, b)
		}
	}
	d.Blocks = out
	return d
}

// withoutColumns is a table without its columns of times.
func withoutColumns(t paper.Table) paper.Table {
	var kept []int
	for i, c := range t.Columns {
		if !slices.Contains(timeColumns, c.Head) {
			kept = append(kept, i)
		}
	}
	out := t
	out.Columns, out.Rows = nil, nil
	for _, i := range kept {
		out.Columns = append(out.Columns, t.Columns[i])
	}
	for _, row := range t.Rows {
		var cells []paper.Entry
		for _, i := range kept {
			cells = append(cells, row[i])
		}
		out.Rows = append(out.Rows, cells)
	}
	return out
}
