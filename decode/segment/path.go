package segment

// impossible is more points than any path has.
const impossible = 1 << 20

// lookBack is how many nodes in front of another are tried as its predecessor.
const lookBack = 16

// rescore finds the best path to every node. A path is a row of frames that do
// not overlap, from the last one that was told. One node may be left out.
func (s *Segmenter) rescore(without *node) {
	for i, b := range s.nodes {
		if b == without {
			b.score, b.head = -impossible, b
			continue
		}
		b.score, b.prev = s.extend(s.root, b), s.root
		tried := 0
		for j := i - 1; j >= 0 && tried < lookBack; j-- {
			a := s.nodes[j]
			if a.end > b.start || a == without {
				continue
			}
			tried++
			if v := s.extend(a, b); v > b.score {
				b.score, b.prev = v, a
			}
		}
		s.settleOn(b)
	}
}

// extend is the score of the path to a with b behind it.
func (s *Segmenter) extend(a, b *node) int {
	s.steps++
	if s.hides(a, b) {
		return a.score + hidden
	}
	v, _, _ := s.link(a, b)
	return a.score + v + b.worth
}

// hides says whether b lies inside a right stretch that the path to a and b
// passes over: a frame in the data of another frame counts for nothing.
func (s *Segmenter) hides(a, b *node) bool {
	return b.hullStart >= max(a.end, s.w.base) || b.end <= a.reach
}

// settleOn fills in what follows from a node's predecessor.
func (s *Segmenter) settleOn(b *node) {
	_, b.answers, b.repeats = s.link(b.prev, b)
	b.reach = 0
	if s.hides(b.prev, b) {
		b.answers, b.repeats = false, false
		b.reach = max(b.prev.reach, b.hullEnd)
	}
	b.head = b
	if b.prev != s.root {
		b.head = b.prev.head
	}
}

// A choice is the frame that the best path begins with.
type choice struct {
	f    *node
	next *node // behind it on the best path; nil for none
	way  int   // how much worse the best path with its other direction is
	rest int   // how much worse the best path without this stretch is
}

// choose takes the head of the best path; f is nil when no frame is worth
// taking.
func (s *Segmenter) choose() (c choice) {
	var best *node
	for _, n := range s.nodes {
		s.steps++
		if n.score > 0 && (best == nil || n.score > best.score) {
			best = n
		}
	}
	if best == nil {
		return c
	}
	c.f = best.head
	for n := best; n != c.f; n = n.prev {
		c.next = n
	}
	rest, both := 0, false
	for _, n := range s.nodes {
		both = both || n != c.f && n.samePlace(c.f)
		if !n.head.samePlace(c.f) {
			rest = max(rest, n.score)
		}
	}
	c.way, c.rest = impossible, best.score-rest
	if both {
		c.way = best.score - s.otherWay(c.f)
	}
	return c
}

// otherWay is the score of the best path that begins with the other reading of
// a frame. The paths known do not tell: each node keeps only the best one that
// ends there.
func (s *Segmenter) otherWay(f *node) int {
	best := -impossible
	s.rescore(f)
	for _, n := range s.nodes {
		if n != f && n.head.samePlace(f) {
			best = max(best, n.score)
		}
	}
	s.rescore(nil)
	return best
}
