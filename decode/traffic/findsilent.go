package traffic

import (
	"fmt"

	"plumbline/decode"
)

// silentUnits: units that do not answer, and since when.
func silentUnits(s *State) (out []Finding) {
	for u := range s.each {
		dead, never := u.dead()
		if !dead {
			continue
		}
		f := Finding{Rank: Wrong, weight: float64(u.run), Exchanges: []*decode.Exchange{u.runFirst, u.silent.last[0], u.silent.last[1]}, Finding: decode.Finding{
			Code: "silent-unit", Subject: subjectOf(u.number), Claim: decode.Settled, Do: s.silentDo(u),
		}}
		if never {
			f.Words = fmt.Sprintf("%s never answered: %s since %s", s.config.name(u.number), count(u.exchanges, "request"), moment(u.began))
		} else {
			f.Words = fmt.Sprintf("%s does not answer since %s: the last %d requests of %d; it was heard last at %s",
				s.config.name(u.number), moment(began(u.runFirst)), u.run, u.exchanges, moment(u.heardAt))
		}
		out = append(out, f)
	}
	return out
}

// silentDo says where to look; a line on which nobody answers is looked at as
// a whole. Source: trade.md 2.4, common practice.
func (s *State) silentDo(u *unit) string {
	others := false
	for o := range s.each {
		others = others || o != u && o.answered+o.excepted > 0
	}
	switch {
	case s.config.Framing == frameMBAP && others:
		return "the others answer, so look at this unit alone: its number, the gateway's list of units, its supply"
	case s.config.Framing == frameMBAP:
		return "check the unit number, and whether the device or gateway serves this port; behind a gateway look at its serial side"
	case others:
		return "the others answer, so line settings and adapter are right: check this unit's number, supply, plug and the two wires"
	}
	return "nobody answers: check port and settings, the two wires (swap them once), supply, then the unit numbers; connect one device alone"
}

// lossFew is the share of exchanges that may be lost before a line counts as
// troubled, ours: one in 10,000 is a few a day when one is made each second.
const lossFew = 1e-4

// unanswered: units that answer, but not always.
func unanswered(s *State) (out []Finding) {
	for u := range s.each {
		if dead, never := u.dead(); u.silent.count == 0 || never || dead && u.run == u.silent.count {
			continue
		}
		f := Finding{Rank: Loss, weight: share(u.silent.count, u.exchanges), Exchanges: u.silent.exchanges(), Finding: decode.Finding{
			Code: "unanswered", Subject: subjectOf(u.number), Claim: decode.Settled,
			Words: fmt.Sprintf("%s left %s of %d unanswered (%s), the first at %s; its longest silence was %s",
				s.config.name(u.number), count(u.silent.count, "request"), u.exchanges, percent(share(u.silent.count, u.exchanges)),
				moment(u.silent.since()), span(u.longest)),
			Do: "see what else is said of this unit here; else look for what runs at those times: drives, contactors, a second client",
		}}
		if u.silent.count < deadAfter {
			f.Claim, f.Rank, f.Do = decode.Hint, Cost, "one may be chance; watch it longer"
		}
		if f.weight < lossFew {
			f.Rank = Remark
		}
		out = append(out, f)
	}
	return out
}
