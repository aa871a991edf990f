package traffic

import (
	"fmt"
	"time"

	"plumbline/decode"
)

// The rule for a time limit; ours. The limit advised is the time within which
// 999 of 1000 answers begin, and a quarter more. Where the limit itself cut
// answers off, the 999th of 1000 is beyond what was seen: it is carried on
// along a normal distribution through the median and the point that the limit
// marks, and where the limit cut one in a hundred or more it is at least
// doubled, because then nothing is known of the tail. What is carried on goes
// no further than three limits: then it is time to measure again.
const (
	limitShare  = 0.999
	limitMargin = 1.25
	cutMany     = 0.01
	limitReach  = 3
	limitFewest = 20 // first tries below which nothing is said
)

// lateAnswers: answers that were heard after the limit.
func lateAnswers(s *State) (out []Finding) {
	for u := range s.each {
		limit := s.config.timing(u.number).Response
		if u.late.count == 0 {
			continue
		}
		out = append(out, Finding{Rank: Wrong, weight: share(u.late.count, u.exchanges), Exchanges: u.late.exchanges(), Finding: decode.Finding{
			Code: "late-answers", Subject: subjectOf(u.number), Claim: decode.Settled,
			Words: fmt.Sprintf("%s of %s began after the limit of %s, the latest after %s; a client that does not count what is owed takes such an answer for the next one",
				count(u.late.count, "answer"), s.config.name(u.number), span(limit), span(u.first.most)),
			Do: fmt.Sprintf("set the time limit to %s or more", span(s.advice(u).limit)),
		}})
	}
	return out
}

// limitAdvice is what is known about a unit's time limit.
type limitAdvice struct {
	limit  time.Duration // advised; 0: nothing can be said
	tries  uint64        // first tries that it rests on
	cut    uint64        // of these, without an answer in time
	beyond bool          // carried on beyond what was seen
	near   bool          // answers crowd at the limit, or came late: the limit cuts
}

// advice works out a time limit for a unit.
func (s *State) advice(u *unit) (a limitAdvice) {
	limit := s.config.timing(u.number).Response
	h := &u.first
	a.cut = u.failing - u.damage
	if u.damage > u.failing {
		a.cut = 0
	}
	if dead, _ := u.dead(); dead { // what is switched off says nothing about the limit
		a.cut -= min(a.cut, u.run)
	}
	a.tries = h.count + a.cut
	if h.count == 0 || a.tries < limitFewest {
		return a
	}
	late := u.late.count > 0 || s.told.times("late-answer", subjectOf(u.number)) > 0
	a.near = limit > 0 && (late || h.above(limit*3/4) >= max(h.count/100, deadAfter))
	answeredPart := share(h.count, a.tries)
	point := h.quantile(limitShare)
	if a.near && a.cut > 0 && u.late.count == 0 {
		if 1-answeredPart > 1-limitShare {
			a.beyond = true
			point = max(point, carriedOn(h, limit, answeredPart))
		} else {
			point = h.at(uint64(limitShare * float64(a.tries)))
		}
		if 1-answeredPart >= cutMany {
			point = max(point, time.Duration(float64(2*limit)/limitMargin))
		}
	}
	point = time.Duration(float64(point) * limitMargin)
	if a.beyond {
		point = min(point, limitReach*limit)
	}
	a.limit = roundUp(point)
	return a
}

// carriedOn is the limitShare point of a normal distribution whose part below
// the limit is as seen.
func carriedOn(h *histogram, limit time.Duration, part float64) time.Duration {
	middle := h.quantile(0.5)
	low, high := probit(part/2), probit(min(part, limitShare))
	if high <= low || limit <= middle {
		return limit
	}
	deviation := float64(limit-middle) / (high - low)
	return limit + time.Duration(deviation*(probit(limitShare)-high))
}

// timeLimit: the limit lies within the answers' times, or leaves no room.
func timeLimit(s *State) (out []Finding) {
	if s.config.Seen == Station {
		return nil
	}
	for u := range s.each {
		a := s.advice(u)
		limit := s.config.timing(u.number).Response
		switch {
		case limit == 0 || a.limit == 0:
		case a.near && a.cut >= deadAfter && a.limit > limit:
			out = append(out, s.limitShort(u, a, limit))
		case a.limit > limit && a.tries >= 100:
			out = append(out, Finding{Rank: Remark, weight: float64(a.limit) / float64(limit), Finding: decode.Finding{
				Code: "time-limit-tight", Subject: subjectOf(u.number), Claim: decode.Hint,
				Words: fmt.Sprintf("the limit of %s leaves %s little room: its longest answer began after %s. %s", span(limit), s.config.name(u.number), span(u.first.most), sureness(a.tries)),
				Do:    fmt.Sprintf("response: %s leaves a quarter more than 999 of 1000 answers need", span(a.limit)),
			}})
		case a.limit*4 <= limit && a.tries >= 1000 && u.silent.count > 0:
			r := time.Duration(s.config.timing(u.number).Retries + 1)
			out = append(out, Finding{Rank: Remark, weight: float64(limit) / float64(a.limit), Finding: decode.Finding{
				Code: "time-limit-long", Subject: subjectOf(u.number), Claim: decode.Hint,
				Words: fmt.Sprintf("%s answers within %s, the limit is %s; each unanswered request costs the others up to %s. %s",
					s.config.name(u.number), span(u.first.most), span(limit), span(limit*r), sureness(a.tries)),
				Do: fmt.Sprintf("response: %s would do, and cost %s", span(a.limit), span(a.limit*r)),
			}})
		}
	}
	return out
}

// limitShort is the finding that a limit cuts answers off.
func (s *State) limitShort(u *unit, a limitAdvice, limit time.Duration) Finding {
	words := fmt.Sprintf("the limit of %s lies within the times that %s needs: %d of %d first tries were not answered in time (%s), and the answers that came crowd below it",
		span(limit), s.config.name(u.number), a.cut, a.tries, percent(share(a.cut, a.tries)))
	if a.beyond {
		words += "; what lies beyond the limit is carried on from what was seen"
	}
	words += ". " + sureness(a.tries)
	claim := decode.Likely
	if a.tries < 100 {
		claim = decode.Hint
	}
	return Finding{Rank: Loss, weight: share(a.cut, a.tries), Exchanges: u.silent.exchanges(), Finding: decode.Finding{
		Code: "time-limit-short", Subject: subjectOf(u.number), Claim: claim, Words: words,
		Do: fmt.Sprintf("set response: %s for it and measure again", span(a.limit)),
	}}
}

// sureness says how much so many tries can tell: with none beyond a point in n,
// fewer than 3/n lie beyond it, 95 times in 100 (the rule of three; common
// practice of statistics).
func sureness(n uint64) string {
	return fmt.Sprintf("So many tries (%d) tell of shares down to %s", n, percent(3/float64(n)))
}
