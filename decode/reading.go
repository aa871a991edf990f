package decode

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Read makes a point's reading out of an exchange that asked for it. Station,
// cycle and the last good value are for the caller to fill.
func Read(x *Exchange, p *regmap.Point) Reading {
	r := Reading{Time: x.Done, Unit: x.Unit, Point: p, From: x}
	if x.Answered() {
		if raw, ok := p.Raw(x); ok {
			fixed, cause := p.Fixed(x)
			if r.Raw = raw; cause != regmap.NoCause {
				fixed, r.Value = p, regmap.BadValue(cause)
			} else {
				r.Value = fixed.ValueOf(raw)
			}
			r.Reason = reason(fixed, r.Value, raw)
			return r
		}
	}
	cause := x.Cause
	if cause == regmap.NoCause {
		cause = regmap.Internal
	}
	r.Value = regmap.BadValue(cause)
	r.Reason = Why(x)
	return r
}

// Doubted is the same reading, no longer good, for a cause found later.
func (r Reading) Doubted(c regmap.Cause) Reading {
	if r.Value.Quality() == regmap.Good {
		r.Value, r.Reason = r.Value.Doubt(c), c.Words()
	}
	return r
}

// reason is why a value that the station gave is not good, with its contents.
func reason(p *regmap.Point, v regmap.Value, raw []uint16) string {
	switch v.Cause() {
	case regmap.NoCause:
		return ""
	case regmap.Absent, regmap.NotDecimal, regmap.NotANumber:
		return v.Cause().Words() + " (" + Hex16(raw) + ")"
	case regmap.OutOfSpan:
		if words := p.Beyond(raw); words != "" {
			return words
		}
	}
	return v.Cause().Words()
}

// Why is what went wrong with an exchange, for people: the cause with its
// particulars. It is empty for an exchange that was answered.
func Why(x *Exchange) string {
	switch {
	case x.Answered():
		return ""
	case x.Cause == regmap.Excepted:
		return ExceptionWords(x.Response.Exception)
	case x.Detail != "":
		return x.Detail
	}
	return x.Cause.Words()
}

// ExceptionWords names an exception with its code: "exception 02, illegal data
// address".
func ExceptionWords(e frame.Exception) string {
	return fmt.Sprintf("exception %02X, %s", uint8(e), e.Name())
}

// Hex16 writes registers as four hex digits each, parted by blanks.
func Hex16(raw []uint16) string {
	var b strings.Builder
	for i, w := range raw {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%04X", w)
	}
	return b.String()
}

// A Chain is one value's way from bytes to number, in words and bytes.
type Chain struct {
	Sent      []byte
	SentWords string
	Received  []byte
	From, To  int // the point's own bytes in Received; both 0 when there are none
	Verdict   string
	Latency   time.Duration // request's last byte to answer's last byte
	Registers string
	Steps     regmap.Steps
	Shown     string // with units
}

// Chain explains a reading. It is the zero Chain for one that was never asked.
func (r Reading) Chain() Chain {
	x := r.From
	if x == nil {
		return Chain{}
	}
	if r.Point.Derived() {
		return Chain{Steps: regmap.Steps{Number: "worked out of " + r.Point.Formula.String()},
			Shown: strings.TrimSpace(r.Point.Shown(r.Value) + " " + r.Point.Units)}
	}
	c := Chain{Sent: x.Sent, Received: x.Received, Latency: x.Done.Sub(x.Left)}
	c.SentWords = RequestWords(x.Unit, x.Request)
	c.Verdict = r.verdict()
	if r.Raw == nil {
		return c
	}
	c.From, c.To = r.bytes()
	c.Registers = r.Point.Span().String() + "  " + rawWords(r.Point.Table, r.Raw)
	c.Steps = r.Point.Steps(r.Raw, r.Value)
	if fixed, cause := r.Point.Fixed(x); cause == regmap.NoCause && fixed != r.Point {
		c.Steps = fixed.Steps(r.Raw, r.Value)
		c.Registers += "; exponent " + r.Point.Exponent.Span.String()
	}
	c.Shown = strings.TrimSpace(r.Point.Shown(r.Value) + " " + r.Point.Units)
	return c
}

func rawWords(t regmap.Table, raw []uint16) string {
	if t.Bits() {
		return strings.Trim(fmt.Sprint(raw), "[]")
	}
	return Hex16(raw)
}

// RequestWords says what a request asks: "unit 17, read input registers (04),
// address 0, 8 registers".
func RequestWords(u regmap.Unit, q frame.Request) string {
	s := fmt.Sprintf("unit %d, %s (%02X)", u, strings.ToLower(q.Function.String()), uint8(q.Function))
	if span, ok := q.Reads(); ok {
		item := "register"
		if span.Table.Bits() {
			item = "bit"
		}
		if span.Count != 1 {
			item += "s"
		}
		s += fmt.Sprintf(", address %d, %d %s", span.First, span.Count, item)
	}
	return s
}

func (r Reading) verdict() string {
	x := r.From
	switch {
	case !x.Answered():
		return Why(x)
	case x.Framing == line.MBAP:
		return "transaction and length right"
	case x.Framing == line.ASCII:
		return "LRC right"
	}
	return "CRC right"
}

// bytes is where the point's own registers stand in the answer's bytes.
func (r Reading) bytes() (from, to int) {
	read, ok := r.From.Request.Reads()
	if !ok {
		return 0, 0
	}
	// The data begin after function and byte count, in front of which stands
	// the framing's header.
	offset, width := int(r.Point.Address)-int(read.First), r.Point.Count
	if r.Point.Table.Bits() {
		from, to = 2+offset/8, 2+(offset+width-1)/8+1
	} else {
		from, to = 2+2*offset, 2+2*(offset+width)
	}
	switch r.From.Framing {
	case line.MBAP:
		return from + 7, to + 7
	case line.RTU:
		return from + 1, to + 1
	case line.ASCII:
		return 1 + 2*(from+1), 1 + 2*(to+1)
	}
	return 0, 0
}

// Seconds is a time in words: "0.5 s", to the tenth of a millisecond.
func Seconds(d time.Duration) string {
	return strconv.FormatFloat(d.Round(100*time.Microsecond).Seconds(), 'f', -1, 64) + " s"
}
