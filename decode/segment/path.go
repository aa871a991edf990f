package segment

// lookBack is how many nodes in front of another are tried as its predecessor.
const lookBack = 16

// rescore finds the best path to every node. A path is a row of frames that do
// not overlap, from the last one that was told.
func (s *Segmenter) rescore() {
	for i, b := range s.nodes {
		b.score, b.prev = s.extend(s.root, b), s.root
		tried := 0
		for j := i - 1; j >= 0 && tried < lookBack; j-- {
			a := s.nodes[j]
			if a.end > b.start {
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
	return a.score + v + b.worth(s.set.Framing)
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
	way, rest := -1000, 0
	for _, n := range s.nodes {
		switch {
		case n.head == c.f:
		case n.head.samePlace(c.f):
			way = max(way, n.score)
		default:
			rest = max(rest, n.score)
		}
	}
	for n := best; n != c.f; n = n.prev {
		c.next = n
	}
	c.way, c.rest = best.score-way, best.score-rest
	return c
}
