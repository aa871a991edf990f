package main

import (
	"fmt"
	"io"
	"strings"

	"plumbline/decode"
	"plumbline/regmap/paper"
)

// mostBytes is how many bytes of a frame one line of a chain shows.
const mostBytes = 28

// printChain writes one value's way from bytes to number.
func printChain(out io.Writer, r decode.Reading) {
	c := r.Chain()
	head := r.Point.Name + "  "
	if c.Shown != "" {
		head += c.Shown + "  "
	}
	head += r.Value.Quality().String()
	if r.Reason != "" {
		head += ": " + r.Reason
	}
	fmt.Fprintln(out, paper.Text(head))
	line := func(label, text string) {
		if text != "" {
			fmt.Fprintf(out, "  %-10s %s\n", label, strings.TrimRight(paper.Block(text), " "))
		}
	}
	if c.Sent == nil && c.Verdict != "" {
		line("not sent", c.Verdict)
	}
	if c.Sent != nil {
		line("asked", fmt.Sprintf("%-42s %s", hexBytes(c.Sent, 0, 0), c.SentWords))
	}
	switch {
	case c.Received != nil:
		line("answered", fmt.Sprintf("%-42s %s later, %s", hexBytes(c.Received, c.From, c.To), milliseconds(c.Latency), c.Verdict))
	case c.Sent != nil:
		line("answered", "nothing: "+c.Verdict)
	}
	line("registers", c.Registers)
	line("number", c.Steps.Number)
	line("scale", c.Steps.Scale)
	line("shown", c.Shown)
	fmt.Fprintln(out)
}

// hexBytes writes bytes as hex parted by blanks, the run from..to in brackets;
// a long frame is cut around what matters.
func hexBytes(b []byte, from, to int) string {
	first, last := 0, len(b)
	if len(b) > mostBytes {
		last = mostBytes
		if to > mostBytes {
			first, last = from-4, min(to+4, len(b))
		}
	}
	var s strings.Builder
	for i := first; i < last; i++ {
		switch {
		case i == first && first > 0:
			fmt.Fprintf(&s, "%02X %02X ... ", b[0], b[1])
		case i > first:
			s.WriteByte(' ')
		}
		if i == from && to > from {
			s.WriteByte('[')
		}
		fmt.Fprintf(&s, "%02X", b[i])
		if i == to-1 && to > from {
			s.WriteByte(']')
		}
	}
	if last < len(b) {
		s.WriteString(" ...")
	}
	return s.String()
}
