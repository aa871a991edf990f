package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// seekWidth is the longest line of the card, in characters.
const seekWidth = 100

// A card writes words and remembers the first error.
type card struct {
	out io.Writer
	err error
}

// line writes one line; what comes from outside must be made safe before.
func (c *card) line(format string, args ...any) {
	_, err := fmt.Fprintf(c.out, format+"\n", args...)
	c.err = errors.Join(c.err, err)
}

// item writes a label and words beside it, wrapped under themselves.
func (c *card) item(label, words string) {
	const indent = 18
	for i, text := range wrapWords(paper.Block(words), seekWidth-indent-2) {
		if i > 0 {
			label = ""
		}
		c.line("  %-*s%s", indent, label, text)
	}
}

// printOutlook says what will be done, in which order, and how long it may take.
func printOutlook(out io.Writer, at *seekPlace, c seek.Config, o seek.Outlook) {
	p := &card{out: out}
	p.line("Even reads load a line: ask its owner first, and have someone at the equipment.")
	p.line("%s: reads only, at most one request every %s, %s for an answer.", paper.Text(at.where()), decode.Seconds(o.Interval), decode.Seconds(c.Response))
	var order []string
	for _, s := range c.Order {
		order = append(order, s.String())
	}
	if len(order) > 6 {
		order = append(order[:6], "...")
	}
	if c.Quiet > 0 && at.line.Medium == line.SerialPort {
		p.item("first", fmt.Sprintf("listens for %s, and where bytes come that make no frame, as long at each other setting, at most %s; when another client is heard nothing is sent",
			decode.Seconds(c.Quiet), minutes(time.Duration(len(c.Order))*c.Quiet)))
	}
	p.item("then", fmt.Sprintf("asks %s at %s, in the order most likely to succeed (common practice): %s; at most %s",
		unitNames(o.Few), count(o.Settings, "setting"), strings.Join(order, ", "), minutes(o.Usual)))
	if o.Rest > 0 {
		p.item("", fmt.Sprintf("the other %s where one answered, at most %s; where none did, at the first %s, at most %s",
			count(o.Rest, "unit"), minutes(o.Range), count(o.DeepAt, "setting"), minutes(o.Deep)))
	}
	p.item("worst case", fmt.Sprintf("%s; for each unit that answers up to %d requests more, at most %s", minutes(o.Worst), o.UnitAsks, minutes(o.UnitTime)))
	if c.Scan != nil {
		p.item("addresses", fmt.Sprintf("%d to %d of each table: up to %d requests for each unit, at most %s while it answers",
			c.Scan.First, c.Scan.Last, o.ScanAsks, minutes(o.ScanTime)))
	}
	p.line("")
}

// printCard is the page that is kept: settings, units, what each said; or what
// to look at when nothing answered.
func printCard(out io.Writer, at *seekPlace, r *seek.Report, files []string) error {
	c := &card{out: out}
	switch {
	case r.Found != nil:
		c.line("Found on %s: %s, %s", paper.Text(at.where()), r.Found, unitList(r))
		if same := r.SameSettings(); same != "" {
			c.item("", same)
		}
		if isPseudoTerminal(at.line.Serial.Port) {
			c.item("", "A pseudo-terminal has no speed and no parity: other settings would have answered as well.")
		}
	case r.End == seek.OtherClient || r.End == seek.Unexplained:
		c.line("Refused on %s: not asked, because somebody else talks there", paper.Text(at.where()))
	default:
		c.line("Nothing found on %s", paper.Text(at.where()))
	}
	if how := endWords(r); how != "" {
		c.item("", how)
	}
	for _, u := range r.Units {
		c.unit(u)
	}
	c.signs(r)
	if r.AllSilent() && r.Found == nil {
		c.line("")
		c.line("Nothing that a station sent was heard. In this order, look at:")
		for i, step := range r.Check() {
			for j, text := range wrapWords(step, seekWidth-6) {
				number := fmt.Sprintf("%2d.", i+1)
				if j > 0 {
					number = "   "
				}
				c.line("%s  %s", number, text)
			}
		}
		c.line("Work inside panels and on live parts belongs to people licensed for it.")
	}
	c.line("")
	c.line("%s in %s, reads only.", count(r.Requests, "request"), minutes(r.Elapsed))
	for _, file := range files {
		c.line("written: %s", paper.Text(file))
	}
	return c.err
}

// unitList is "units 1, 17 (all were asked)".
func unitList(r *seek.Report) string {
	if len(r.Units) == 0 {
		return "no unit"
	}
	var numbers []regmap.Unit
	for _, u := range r.Units {
		numbers = append(numbers, u.Number)
	}
	text := unitNames(numbers)
	if !r.Whole && !r.Ignores {
		text += "; the other numbers were not all asked"
	}
	return text
}

// unitNames is "unit 1" or "units 1, 17".
func unitNames(units []regmap.Unit) string {
	text := "unit "
	if len(units) > 1 {
		text = "units "
	}
	for i, u := range units {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprint(u)
	}
	return text
}

// endWords says why a search ended before its time; "" when it did not.
func endWords(r *seek.Report) string {
	words := map[seek.End]string{
		seek.FellSilent:  fmt.Sprintf("stopped: unit %d had answered and fell silent", r.Fallen),
		seek.LineLost:    "stopped: the port or connection was lost and did not open again",
		seek.Interrupted: "stopped before all was asked",
	}[r.End]
	if r.Shared {
		words = strings.TrimPrefix(words+"; asked though another client is heard (--share)", "; ")
	}
	return words
}

// objectNames are those of the basic objects. Source: V1.1b3, 6.21.
var objectNames = [...]string{"vendor", "product", "revision", "address", "name", "model", "use"}

// unit writes one unit's part of the card.
func (c *card) unit(u *seek.Unit) {
	c.line("")
	c.line("unit %d", u.Number)
	for _, o := range u.Identified {
		name := fmt.Sprintf("object %d", o.ID)
		if int(o.ID) < len(objectNames) {
			name = objectNames[o.ID]
		}
		c.item(name, paper.Text(string(o.Value)))
	}
	if len(u.Server) > 0 {
		c.item("server id", paper.Text(fmt.Sprintf("% X", u.Server)))
	}
	x := u.First()
	span, _ := x.Request.Reads()
	c.item("asked", fmt.Sprintf("% X, %s (%02X), address %d, %s", x.Sent, strings.ToLower(x.Request.Function.String()), uint8(x.Request.Function), span.First, count(span.Count, "item")))
	later := "at once"
	if d := x.First.Sub(x.Left); d >= 100*time.Microsecond {
		later = decode.Seconds(d) + " later"
	}
	answer := fmt.Sprintf("% X, %s", x.Received, later)
	if x.Response.Exception != 0 {
		answer += ", " + x.Response.Exception.String()
	}
	c.item("answered", answer)
	c.item("so found", fmt.Sprintf("%d exchanges of different shape fit: %s", len(u.Matched), shapesOf(u)))
	for _, t := range u.Tables {
		c.table(t)
	}
}

// shapesOf says how a unit answered the requests that made it found.
func shapesOf(u *seek.Unit) string {
	var all []string
	for _, x := range u.Matched {
		s := fmt.Sprintf("%02X", uint8(x.Request.Function))
		if x.Response.Exception != 0 {
			s += fmt.Sprintf(" refused (%02X)", uint8(x.Response.Exception))
		} else if span, ok := x.Request.Reads(); ok {
			s += fmt.Sprintf(" of %d", span.Count)
		}
		all = append(all, s)
	}
	return strings.Join(all, ", ")
}

// table writes where answers are in one table.
func (c *card) table(t seek.TableScan) {
	words := "none of the addresses asked answers"
	switch {
	case t.Absent:
		words = "the unit does not have the function (" + frame.IllegalFunction.String() + ")"
	case len(t.Answers) > 0:
		words = "addresses " + spansText(t.Answers) + " answer"
	}
	if t.Limit > 0 {
		words += fmt.Sprintf("; at most %d at a time", t.Limit)
	}
	if len(t.Open) > 0 && !t.Absent {
		words += "; not looked into: " + spansText(t.Open)
	}
	c.item(t.Table.String(), fmt.Sprintf("%s (%s)", words, count(t.Requests, "request")))
}

// spansText is "0-11, 20-24", at most a dozen of them.
func spansText(spans []regmap.Span) string {
	const most = 12
	var all []string
	for i, s := range spans {
		if i == most {
			all = append(all, fmt.Sprintf("and %d more", len(spans)-most))
			break
		}
		text := fmt.Sprint(s.First)
		if s.Count > 1 {
			text = fmt.Sprintf("%d-%d", s.First, s.Last())
		}
		all = append(all, text)
	}
	return strings.Join(all, ", ")
}

// signs writes what was seen and what it hints at.
func (c *card) signs(r *seek.Report) {
	if len(r.Signs) == 0 {
		return
	}
	c.line("")
	c.line("What was seen")
	for _, f := range r.Signs {
		c.item(f.Claim.String(), fmt.Sprintf("%s: %s", f.Code, f.Words))
		c.item("", f.Do)
	}
}
