package main

import (
	"fmt"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
)

// exchangeWords is an exchange in the columns of the display.
type exchangeWords struct{ asked, place, latency, result string }

// mostShownWords is how many registers a row shows where no map names them.
const mostShownWords = 6

// wordsOf is an exchange for people; mapped says that its points stand below it.
func wordsOf(h segment.Heard, mapped bool) (w exchangeWords) {
	f := h.Request.Function
	if f == 0 {
		f = h.Response.Function
	}
	if f == 0 && h.Answer != nil && len(h.Answer.ADU.PDU) > 0 {
		f = frame.Function(h.Answer.ADU.PDU[0] & 0x7F)
	}
	w.asked = fmt.Sprintf("%s (%02X)", strings.ToLower(f.String()), uint8(f))
	if span, ok := h.Request.Reads(); ok {
		w.place = span.String()
	} else if span, ok := h.Request.Writes(); ok {
		w.place = span.String()
	}
	w.latency = latencyWords(h)
	w.result = becameWords(h, mapped)
	if lone(h) {
		w.result += " (possible: nothing beside its check says that it was sent)"
	}
	return w
}

// lone says whether an exchange is one frame that may be an accident.
func lone(h segment.Heard) bool {
	of := h.Asked
	if of == nil {
		of = h.Answer
	} else if h.Answer != nil {
		return false
	}
	return of != nil && of.Kind == segment.Frame && of.Certainty == segment.Possible
}

// latencyWords is the time from a request's last byte to its answer's last one,
// where it can be told: both may have come in one piece.
func latencyWords(h segment.Heard) string {
	if h.Outcome != segment.Answered || h.Left.IsZero() || h.First.Sub(h.Left) <= 0 {
		return ""
	}
	return milliseconds(h.Done.Sub(h.Left))
}

// becameWords is what came of an exchange.
func becameWords(h segment.Heard, mapped bool) string {
	switch {
	case h.Outcome == segment.Undecided:
		return "request or answer, nothing decides"
	case h.Outcome == segment.Unasked:
		return "an answer; its request was not heard"
	case h.Outcome == segment.Again:
		return "asked again before an answer"
	case h.Outcome == segment.Unanswered && h.Unit == regmap.Broadcast:
		return writtenWords(h, mapped, "to all, none answers")
	case h.Outcome == segment.Unanswered:
		return writtenWords(h, mapped, "no answer")
	case !h.Answered():
		return writtenWords(h, mapped, decode.Why(h.Exchange))
	}
	if _, writes := h.Request.Writes(); writes {
		return writtenWords(h, mapped, "confirmed")
	}
	span, reads := h.Request.Reads()
	if !reads {
		return "answered"
	}
	item := "register"
	if span.Table.Bits() {
		item = "bit"
	}
	words := count(span.Count, item)
	if raw, ok := h.AppendRaw(nil, span); ok && !mapped {
		words += ": " + rawList(raw, span.Table)
	}
	return words
}

// writtenWords adds what a write brings where no map names it.
func writtenWords(h segment.Heard, mapped bool, end string) string {
	span, writes := h.Request.Writes()
	if !writes {
		return end
	}
	if mapped || h.Asked == nil {
		return "write, " + end
	}
	m := decode.Message{Framing: h.Framing, ADU: h.Asked.ADU, Direction: frame.Asking, Request: h.Request}
	contents, _, ok := m.Contents()
	if !ok {
		return "write, " + end
	}
	raw, ok := contents.AppendRaw(nil, span)
	if !ok {
		return "write, " + end
	}
	return "write " + rawList(raw, span.Table) + ", " + end
}

// rawList is the first items of a range.
func rawList(raw []uint16, t regmap.Table) string {
	most := mostShownWords
	if t.Bits() {
		most *= 4
	}
	dots := ""
	if len(raw) > most {
		raw, dots = raw[:most], " ..."
	}
	if t.Bits() {
		return strings.Trim(fmt.Sprint(raw), "[]") + dots
	}
	return decode.Hex16(raw) + dots
}

// clockTime is a moment as people read it while they watch.
func clockTime(s decode.Stamp) string {
	if s.Wall.IsZero() {
		return ""
	}
	return s.Wall.Local().Format("15:04:05.000")
}

// beganAt is when the first byte of an exchange was on the line.
func beganAt(h segment.Heard) decode.Stamp {
	switch {
	case !h.Exchange.Asked.IsZero():
		return h.Exchange.Asked
	case !h.First.IsZero():
		return h.First
	}
	return h.Done
}

// waited is a time that somebody waited, in words.
func waited(d time.Duration) string { return decode.Seconds(d.Round(10 * time.Millisecond)) }
