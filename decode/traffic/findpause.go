package traffic

import (
	"fmt"
	"time"

	"plumbline/decode"
)

// The rule for a pause; ours. Requests that follow another unit's answer are
// ordered by the silence before them; where those below some silence fail far
// more often than those above, that silence is needed. Source of the cause:
// trade.md 2.4 (10 ms cured one case where 5 ms did not).
const (
	pauseFewest = 10  // tries on either side
	pauseApart  = 4.0 // standard errors between the two shares: chance makes that once in 30,000
	pauseTimes  = 3   // and the share below is at least so many times the one above
)

// pauseNeeded: a unit that fails right after another one.
func pauseNeeded(s *State) (out []Finding) {
	if s.config.Seen == Station {
		return nil
	}
	for u := range s.each {
		p := &u.afterOther
		if p.in == nil {
			continue
		}
		below, above, ok := p.split()
		if !ok {
			below, above = p.sum(0, len(p.in)), u.afterSelf.sum(0, len(u.afterSelf.in))
			if !parted(below, above) {
				continue
			}
			out = append(out, s.pauseGuess(u, below, above))
			continue
		}
		need := roundUp(above.least)
		out = append(out, Finding{Rank: Loss, weight: below.share(), Exchanges: p.kept.exchanges(), Finding: decode.Finding{
			Code: "pause-short", Subject: subjectOf(u.number), Claim: decode.Likely,
			Words: fmt.Sprintf("%s fails when it is asked soon after another unit answered: with at most %s of silence %d of %d first tries failed, with %s or more %d of %d",
				s.config.name(u.number), span(below.most), below.failed, below.tries, span(above.least), above.failed, above.tries),
			Do: fmt.Sprintf("set pause: %s, so that each request finds that much silence before it", span(need)),
		}})
	}
	return out
}

// pauseGuess is for a unit that always follows the others at the same distance
// and is right when it follows itself.
func (s *State) pauseGuess(u *unit, below, above pauseBucket) Finding {
	need := max(roundUp(2*below.most), 10*time.Millisecond)
	return Finding{Rank: Loss, weight: below.share(), Exchanges: u.afterOther.kept.exchanges(), Finding: decode.Finding{
		Code: "pause-short", Subject: subjectOf(u.number), Claim: decode.Hint,
		Words: fmt.Sprintf("%s fails right after another unit answered (%d of %d first tries, %s to %s after it), and not when it was asked itself before (%d of %d)",
			s.config.name(u.number), below.failed, below.tries, span(below.least), span(below.most), above.failed, above.tries),
		Do: fmt.Sprintf("try pause: %s and measure again", span(need)),
	}}
}

// parted says whether the tries below fail so much more often than those above
// that it is no chance.
func parted(below, above pauseBucket) bool {
	return below.tries >= pauseFewest && above.tries >= pauseFewest && below.failed >= deadAfter &&
		below.share() >= pauseTimes*above.share() && apart(below, above) >= pauseApart
}

// split finds the silence that parts failures from answers best.
func (p *pauses) split() (below, above pauseBucket, ok bool) {
	best := 0.0
	for i := 1; i < len(p.in); i++ {
		if p.in[i].tries == 0 {
			continue
		}
		b, a := p.sum(0, i), p.sum(i, len(p.in))
		if d := apart(b, a); parted(b, a) && d > best {
			best, below, above, ok = d, b, a, true
		}
	}
	return below, above, ok
}
