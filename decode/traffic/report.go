package traffic

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/regmap/paper"
)

// Caution stands on the first page of each report. The trade's rule that what
// is read from a line is no proof of safety; common practice.
const caution = "This report says what was seen on the line, and nothing of the plant behind it. What was not asked, and what did not happen while it was watched, is not in it."

// Report is everything about a line as a document: the units, the findings
// with the frames they rest on, the ranges, how long answers took, the line's
// occupation over time, and the writes.
func Report(s *State) paper.Document {
	all := s.Findings()
	d := paper.Document{Title: "Traffic on " + s.config.lineName(), Subtitle: s.config.Where, Date: s.ends.Wall, Caution: caution}
	d.Blocks = append(d.Blocks, s.facts(), s.unitTable())
	d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "Findings, the worst first"})
	d.Blocks = append(d.Blocks, findings(all, true)...)
	d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "What was asked"}, s.rangeTable(all))
	d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "How long answers took"}, s.latencies())
	d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "The line's occupation"}, s.occupation())
	if s.writes.count > 0 {
		d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "Writes"}, s.writeTable())
	}
	return d
}

// Health is the short form of a report, to be read on a screen: the units and
// the findings with advice.
func Health(s *State) paper.Document {
	d := paper.Document{Title: "Health of " + s.config.lineName()}
	d.Blocks = append(d.Blocks, paper.Paragraph{Text: s.sentence()}, s.unitTable())
	d.Blocks = append(d.Blocks, findings(s.Findings(), false)...)
	return d
}

// sentence is the line in one sentence.
func (s *State) sentence() string {
	text := fmt.Sprintf("%s in %s", count(s.exchanges, "exchange"), span(s.ends.Sub(s.began)))
	if s.exchanges > 0 {
		text += fmt.Sprintf(", %s answered; line occupied %s", percent(share(s.totals())), percent(s.occupied()))
	}
	if s.unsent > 0 {
		text += fmt.Sprintf("; %s could not leave", count(s.unsent, "request"))
	}
	return text
}

// totals are the exchanges that were answered or refused, and all.
func (s *State) totals() (answered, all uint64) {
	for u := range s.each {
		answered += u.answered + u.excepted
	}
	return answered, s.exchanges
}

// occupied is the share of the time that an exchange was under way.
func (s *State) occupied() float64 {
	if d := s.ends.Sub(s.began); d > 0 {
		return min(float64(s.held)/float64(d), 1)
	}
	return 0
}

// facts are the numbers of the whole line.
func (s *State) facts() paper.Facts {
	f := paper.Facts{}
	add := func(name, value string) { f.Items = append(f.Items, paper.Fact{Name: name, Value: value}) }
	if s.set {
		add("From", moment(s.began))
		add("To", moment(s.ends))
	}
	answered, all := s.totals()
	add("Exchanges", fmt.Sprintf("%d, %s answered", all, percent(share(answered, all))))
	if s.broadcasts > 0 {
		add("Broadcasts", fmt.Sprint(s.broadcasts))
	}
	if s.unsent > 0 {
		add("Could not leave", count(s.unsent, "request"))
	}
	add("Line occupied", percent(s.occupied()))
	if s.frames > 0 {
		add("by bytes", percent(float64(s.frames)/float64(max(s.ends.Sub(s.began), 1))))
	}
	if n := s.needed(); n > 0 {
		add("Needed for all asked", fmt.Sprintf("%s at %s", percent(n), s.config.Serial))
	}
	if s.cycles.count > 0 {
		add("Cycles", fmt.Sprintf("%d, %d left out, the longest %s", s.cycles.count, s.cycles.skipped, span(s.cycles.longest)))
	}
	if h := s.heard; h != (Counts{}) {
		add("Came unasked", fmt.Sprintf("%s, %s; %s late, %s given twice", count(h.Unasked, "frame"), count(h.Noise, "byte"), count(h.Late, "answer"), count(h.Twice, "answer")))
	}
	return f
}

// unitTable is one row a unit.
func (s *State) unitTable() paper.Table {
	t := paper.Table{Columns: []paper.Column{
		{Head: "Unit"}, {Head: "Asked", Align: paper.AlignRight}, {Head: "Silent", Align: paper.AlignRight}, {Head: "Damaged", Align: paper.AlignRight},
		{Head: "Refused", Align: paper.AlignRight}, {Head: "Repeats", Align: paper.AlignRight}, {Head: "Median", Align: paper.AlignRight},
		{Head: "999 of 1000", Align: paper.AlignRight}, {Head: "Longest", Align: paper.AlignRight},
	}}
	for u := range s.each {
		name := fmt.Sprint(u.number)
		if st := s.config.station(u.number); st != nil && st.Name != "" {
			name += " " + st.Name
		}
		row := []paper.Entry{{Text: name}}
		for _, n := range []uint64{u.exchanges, u.silent.count, u.damage, u.excepted, u.repeats} {
			row = append(row, paper.Entry{Text: fmt.Sprint(n), Number: true})
		}
		for _, d := range []time.Duration{u.whole.quantile(0.5), u.whole.quantile(0.999), u.whole.most} {
			text := "-"
			if u.whole.count > 0 {
				text = span(d)
			}
			row = append(row, paper.Entry{Text: text})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// findings are paragraphs, one finding each, with the frames if wanted.
func findings(all []Finding, frames bool) (out []paper.Piece) {
	if len(all) == 0 {
		return []paper.Piece{paper.Paragraph{Text: "Nothing stands out."}}
	}
	for i := range all {
		f := &all[i]
		out = append(out,
			paper.Heading{Level: 3, Text: fmt.Sprintf("%s: %s (%s, %s)", f.Subject, f.Code, f.Claim, f.Rank)},
			paper.Paragraph{Text: f.text()})
		if frames && len(f.Exchanges) > 0 {
			out = append(out, paper.Verbatim{Text: frameText(f.Exchanges)})
		}
	}
	return out
}

// text is a finding as sentences: what it is, then what to do. The name of a
// point keeps its case.
func (f *Finding) text() string {
	s := f.Words
	if named := strings.HasPrefix(s, f.Subject) && !strings.HasPrefix(s, "unit "); s != "" && !named {
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	s += "."
	if f.Do != "" {
		s += "\nTo do: " + f.Do + "."
	}
	return s
}

// mostFrame is the bytes of a frame that a report shows.
const mostFrame = 32

// frameText is exchanges as bytes.
func frameText(all []*decode.Exchange) string {
	var b strings.Builder
	for _, x := range all {
		fmt.Fprintf(&b, "%s  %s  %s\n", x.ID, moment(began(x)), decode.RequestWords(x.Unit, x.Request))
		fmt.Fprintf(&b, "  asked     %s\n", frameHex(x.Sent))
		switch why := decode.Why(x); {
		case why == "":
			fmt.Fprintf(&b, "  answered  %s  %s\n", frameHex(x.Received), span(x.Done.Sub(x.Left)))
		case x.Received != nil:
			fmt.Fprintf(&b, "  came      %s  %s\n", frameHex(x.Received), why)
		default:
			fmt.Fprintf(&b, "  came      nothing  %s\n", why)
		}
	}
	return strings.TrimRight(b.String(), "\n")
}

// frameHex is bytes in pairs, cut where they are long.
func frameHex(b []byte) string {
	if len(b) == 0 {
		return "nothing"
	}
	text := strings.ToUpper(hex.EncodeToString(b[:min(len(b), mostFrame)]))
	var out strings.Builder
	for i := 0; i < len(text); i += 2 {
		if i > 0 {
			out.WriteByte(' ')
		}
		out.WriteString(text[i : i+2])
	}
	if len(b) > mostFrame {
		fmt.Fprintf(&out, " ... (%d bytes)", len(b))
	}
	return out.String()
}
