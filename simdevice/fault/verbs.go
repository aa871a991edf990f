package fault

import (
	"encoding/hex"
)

// verbRow is a verb: how its arguments are read and written, and what it makes
// of the deliveries of a chunk to which its rule applies.
type verbRow struct {
	read  func(w *words, r *Rule)
	show  func(r Rule) string
	apply func(s *state, ds []Delivery) []Delivery
}

// verbs is a row a verb, at its number. Reorder and Join hold chunks back and
// work in state.step.
var verbs = [...]verbRow{
	Deliver:   {readDeliver, showBytes, applyDeliver},
	Delay:     {func(w *words, r *Rule) { r.Time = w.span("delay") }, func(r Rule) string { return r.Time.String() }, applyDelay},
	Drop:      {readDrop, func(r Rule) string { return showBytes(r) + " " + r.Place.String() }, applyDrop},
	Duplicate: {readDuplicate, showDuplicate, applyDuplicate},
	Reorder:   {readChunks(1), func(r Rule) string { return r.Count.String() }, nil},
	Split:     {readSplit, showSplit, applySplit},
	Join:      {readChunks(2), func(r Rule) string { return r.Count.String() }, nil},
	Flip:      {readFlip, showFlip, applyFlip},
	Insert:    {readInsert, showInsert, applyInsert},
	StallFor:  {readFor, showFor, applyStall},
	Close:     {readClose, func(r Rule) string { return r.End.String() }, applyClose},
	Cut:       {func(*words, *Rule) {}, func(Rule) string { return "" }, applyCut},
	Dribble:   {readDrip, func(r Rule) string { return showBytes(r) + " each " + durationText(r.Gap) }, applyDrip},
	FloodWith: {readFlood, showFlood, applyFlood},
	AnswerAs:  {readAnswerAs, func(r Rule) string { return r.Field.String() + " " + r.Value.String() }, applyAnswerAs},
}

// isBytes says whether a byte count comes next: a number, then "bytes".
func (w *words) isBytes() bool {
	return w.fault == nil && len(w.left) > 1 && w.left[1].text == "bytes"
}

// size takes a byte count with the word after it.
func (w *words) size(min int) Count {
	c := w.count("count", min, MaxBytes)
	w.need("bytes")
	return c
}

func showBytes(r Rule) string {
	if r.Count == (Count{}) {
		return ""
	}
	return r.Count.String() + " bytes"
}

func readDeliver(w *words, r *Rule) { r.Count = w.size(1) }

func readDrop(w *words, r *Rule) {
	if w.isBytes() {
		r.Count = w.size(1)
		r.Place = w.place(MaxBytes)
	}
}

func readDuplicate(w *words, r *Rule) {
	if w.take("after") {
		r.Time = w.span("time")
	}
}

func showDuplicate(r Rule) string {
	if r.Time == (Span{}) {
		return ""
	}
	return "after " + r.Time.String()
}

// readChunks reads a count of chunks that are held back.
func readChunks(least int) func(*words, *Rule) {
	return func(w *words, r *Rule) { r.Count = w.count("count", least, MaxCount) }
}

func readSplit(w *words, r *Rule) {
	if w.peek() == "at" {
		r.Place = w.place(MaxBytes)
		if w.fault == nil && r.Place.At != Number {
			w.fail(w.past, "split at a number of bytes, or into a number of pieces")
		}
	} else {
		r.Count = w.count("count", 1, MaxBytes)
	}
	if w.take("gap") {
		r.Gap = w.time("gap", 1)
	}
}

func showSplit(r Rule) string {
	text := r.Place.String()
	if text == "" {
		text = r.Count.String()
	}
	if r.Gap > 0 {
		text += " gap " + durationText(r.Gap)
	}
	return text
}

func readFlip(w *words, r *Rule) {
	if len(w.left) > 1 && w.left[1].text == "bits" {
		r.Count = w.count("count", 1, MaxBytes)
		w.need("bits")
		return
	}
	r.Place = w.place(8*MaxBytes - 1)
}

func showFlip(r Rule) string {
	if r.Count == (Count{}) {
		return r.Place.String()
	}
	return r.Count.String() + " bits"
}

func readInsert(w *words, r *Rule) {
	if w.isBytes() {
		r.Count = w.size(1)
	} else {
		r.Bytes = w.bytes("bytes")
	}
	r.Place = w.place(MaxBytes)
}

func showInsert(r Rule) string {
	return showBytes(r) + " " + hex.EncodeToString(r.Bytes) + " " + r.Place.String()
}

func readFor(w *words, r *Rule) {
	if !w.take("for") {
		return
	}
	at := w.past
	if len(w.left) > 0 {
		at = w.left[0].column
	}
	r.Time = w.span("time")
	if w.fault == nil && r.Time.Min == 0 {
		w.fail(at, "a time of nothing; allowed is above 0s, or no \"for\" at all, which is without end")
	}
}

func showFor(r Rule) string {
	if r.Time == (Span{}) {
		return ""
	}
	return "for " + r.Time.String()
}

func readClose(w *words, r *Rule) {
	r.End = []Act{Pass, Fin, Rst}[w.oneOf("end of a connection", []string{"", "fin", "rst"})]
}

func readDrip(w *words, r *Rule) {
	if w.isBytes() {
		r.Count = w.size(1)
	}
	w.need("each")
	r.Gap = w.time("time", 1)
}

func readFlood(w *words, r *Rule) {
	r.Bytes = w.bytes("bytes")
	if w.take("each") {
		r.Gap = w.time("time", MinEvery)
	}
	readFor(w, r)
}

func showFlood(r Rule) string {
	text := hex.EncodeToString(r.Bytes)
	if r.Gap > 0 {
		text += " each " + durationText(r.Gap)
	}
	return text + " " + showFor(r)
}

func readAnswerAs(w *words, r *Rule) {
	r.Field = Field(w.oneOf("field", fieldNames))
	got := w.next("the value: a number, +1 or -1, or random")
	if w.fault != nil || got.text == "random" {
		return
	}
	r.Value.Kind = Exactly
	text, sign := got.text, 1
	switch text[0] {
	case '+':
		r.Value.Kind, text = Plus, text[1:]
	case '-':
		r.Value.Kind, text, sign = Plus, text[1:], -1
	}
	least := 0
	if r.Value.Kind == Plus {
		least = 1
	}
	n, ok := digits(text)
	if !ok || n < least || n > r.Field.max() {
		w.fail(got.column, "%s %.60q; allowed is 0 to %d, a step such as +1 or -1, or random", r.Field, got.text, r.Field.max())
		return
	}
	r.Value.N = sign * n
}
