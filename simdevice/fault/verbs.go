package fault

import (
	"encoding/hex"
	"slices"
	"time"
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

// each makes new deliveries of those that carry bytes and leaves the others
// where they are.
func each(ds []Delivery, f func(Delivery) []Delivery) []Delivery {
	var out []Delivery
	for _, d := range ds {
		if d.Act != Pass {
			out = append(out, d)
			continue
		}
		out = append(out, f(d)...)
	}
	return out
}

// change is each for a verb that changes bytes only.
func change(ds []Delivery, f func([]byte) []byte) []Delivery {
	for i, d := range ds {
		if d.Act == Pass && len(d.Bytes) > 0 {
			ds[i].Bytes = f(d.Bytes)
		}
	}
	return ds
}

func applyDeliver(s *state, ds []Delivery) []Delivery {
	n := s.pick(s.rule.Count)
	return change(ds, func(b []byte) []byte { return b[:min(n, len(b))] })
}

func applyDelay(s *state, ds []Delivery) []Delivery {
	late := s.pickTime(s.rule.Time)
	for i := range ds {
		ds[i].Delay += late
		ds[i].Overtake = ds[i].Overtake || s.rule.When.Overtake
	}
	return ds
}

func applyDrop(s *state, ds []Delivery) []Delivery {
	if s.rule.Count == (Count{}) {
		return each(ds, func(Delivery) []Delivery { return nil })
	}
	return change(ds, func(b []byte) []byte {
		n := min(s.pick(s.rule.Count), len(b))
		at := s.at(len(b) - n)
		return slices.Delete(b, at, at+n)
	})
}

func applyDuplicate(s *state, ds []Delivery) []Delivery {
	pieces, bytes := measure(ds)
	if !room(ds, pieces, bytes) {
		return ds
	}
	late := s.pickTime(s.rule.Time)
	for _, d := range ds[:len(ds):len(ds)] {
		if d.Act == Pass {
			d.Bytes = slices.Clone(d.Bytes)
			d.Delay += late
			d.Overtake = d.Overtake || s.rule.When.Overtake
			ds = append(ds, d)
		}
	}
	return ds
}

func applySplit(s *state, ds []Delivery) []Delivery {
	left := MaxPieces - len(ds)
	return each(ds, func(d Delivery) []Delivery {
		var cuts []int
		if s.rule.Place.At == Number {
			cuts = []int{s.rule.Place.N}
		} else {
			n := min(s.pick(s.rule.Count), len(d.Bytes))
			if n > 1 {
				cuts = s.rng.Perm(len(d.Bytes) - 1)[:n-1]
				for i := range cuts {
					cuts[i]++
				}
				slices.Sort(cuts)
			}
		}
		return pieces(d, cuts, s.rule.Gap, &left)
	})
}

func applyDrip(s *state, ds []Delivery) []Delivery {
	left := MaxPieces - len(ds)
	return each(ds, func(d Delivery) []Delivery {
		step := 1
		if s.rule.Count != (Count{}) {
			step = s.pick(s.rule.Count)
		}
		var cuts []int
		for at := step; at < len(d.Bytes) && len(cuts) < left; at += step {
			cuts = append(cuts, at)
		}
		return pieces(d, cuts, s.rule.Gap, &left)
	})
}

// pieces cuts d at ascending positions; each piece comes gap after the one
// before. left is how many cuts there may still be, for all of a chunk.
func pieces(d Delivery, cuts []int, gap time.Duration, left *int) []Delivery {
	var out []Delivery
	cuts = cuts[:min(len(cuts), max(*left, 0))]
	*left -= len(cuts)
	from := 0
	for _, at := range append(cuts, len(d.Bytes)) {
		if at = min(at, len(d.Bytes)); at <= from && len(d.Bytes) > 0 {
			continue
		}
		p := d
		p.Bytes = d.Bytes[from:at:at]
		out = append(out, p)
		from = at
		d.Delay += gap
	}
	return out
}

func applyFlip(s *state, ds []Delivery) []Delivery {
	return change(ds, func(b []byte) []byte {
		bits := 8 * len(b)
		if s.rule.Count != (Count{}) {
			for _, bit := range s.rng.Perm(bits)[:min(s.pick(s.rule.Count), bits)] {
				b[bit/8] ^= 1 << (bit % 8)
			}
			return b
		}
		if bit := s.at(bits - 1); s.rule.Place.At != Number || s.rule.Place.N < bits {
			b[bit/8] ^= 1 << (bit % 8)
		}
		return b
	})
}

func applyInsert(s *state, ds []Delivery) []Delivery {
	noise := s.rule.Bytes
	if noise == nil {
		noise = make([]byte, s.pick(s.rule.Count))
		for i := range noise {
			noise[i] = byte(s.rng.Uint32())
		}
	}
	if !room(ds, 0, len(ds)*len(noise)) {
		return ds
	}
	return change(ds, func(b []byte) []byte { return slices.Insert(b, s.at(len(b)), noise...) })
}

func applyStall(s *state, ds []Delivery) []Delivery {
	return append([]Delivery{{Act: Stall, For: s.pickTime(s.rule.Time)}}, ds...)
}

func applyClose(s *state, ds []Delivery) []Delivery {
	return append(ds, Delivery{Act: s.rule.End, Delay: latest(ds)})
}

func applyCut(*state, []Delivery) []Delivery { return []Delivery{{Act: HalfOpen}} }

func applyFlood(s *state, ds []Delivery) []Delivery {
	return append(ds, Delivery{
		Act: Flood, Bytes: s.rule.Bytes, Every: s.rule.Gap, For: s.pickTime(s.rule.Time), Delay: latest(ds)})
}

func applyAnswerAs(s *state, ds []Delivery) []Delivery {
	return change(ds, func(b []byte) []byte {
		r := s.rule
		was, ok := s.shaper.Field(b, r.Field)
		if !ok {
			return b
		}
		value := r.Value.N
		switch span := r.Field.max() + 1; r.Value.Kind {
		case Plus:
			value = (was + value + span) % span
		case Random:
			value = (was + 1 + s.rng.IntN(span-1)) % span
		}
		if changed, ok := s.shaper.With(b, r.Field, value); ok {
			return changed
		}
		return b
	})
}
