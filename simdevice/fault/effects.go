package fault

import (
	"slices"
	"time"
)

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
