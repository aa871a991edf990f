package traffic

import (
	"fmt"
	"strings"

	"plumbline/decode"
)

// repeatedRequests: requests that are sent again, after silence or without
// need.
func repeatedRequests(s *State) (out []Finding) {
	for u := range s.each {
		if u.repeats == 0 || u.answered == 0 {
			continue
		}
		f := Finding{Rank: Cost, weight: share(u.repeats, u.exchanges), Exchanges: u.repeated.exchanges(), Finding: decode.Finding{
			Code: "repeated-requests", Subject: subjectOf(u.number), Claim: decode.Settled,
			Words: fmt.Sprintf("%s to %s were repeats (%s of the exchanges); %d of %d first tries without an answer were answered then",
				count(u.repeats, "request"), s.config.name(u.number), percent(share(u.repeats, u.exchanges)), u.recovered, u.failing),
			Do: "each repeat costs the others its time limit; cure what makes them needed",
		}}
		if s.config.Seen != Client {
			f.Words = fmt.Sprintf("%s to %s asked again what was not answered (%s of the exchanges)",
				count(u.repeats, "request"), s.config.name(u.number), percent(share(u.repeats, u.exchanges)))
		}
		if share(u.repeats, u.exchanges) < 0.001 {
			f.Rank = Remark
		}
		out = append(out, f)
	}
	return out
}

// twoClients: more than one asks on this line.
func twoClients(s *State) []Finding {
	if s.config.Seen == Client {
		return nil // its own requests only are in the exchanges; the link tells of others
	}
	var signs []string
	var kept []*decode.Exchange
	sure := decode.Hint
	if n := s.overlaps.count; n > 0 {
		signs = append(signs, fmt.Sprintf("%s began before the one before was over", count(n, "request")))
		kept = append(kept, s.overlaps.exchanges()...)
		sure = claimOf(n, deadAfter)
	}
	if s.counts.two() {
		signs = append(signs, "two counts of transaction numbers run side by side")
		sure = decode.Likely
	}
	whole, turns := 0, 0
	var rows []key
	for _, r := range s.order {
		if r.times.count < 16 {
			continue
		}
		if whole++; r.times.alternates() {
			turns++
			rows = append(rows, r.key)
			kept = append(kept, r.kept.exchanges()...)
		}
	}
	if turns > 0 && turns*2 >= whole {
		signs = append(signs, fmt.Sprintf("%s of %d are asked in turns at two distances, as by two clients with one period", count(uint64(turns), "range"), whole))
		if sure > decode.Hint || len(signs) > 1 {
			sure = decode.Likely
		}
	} else {
		rows = nil
	}
	if len(signs) == 0 {
		return nil
	}
	return []Finding{{Rank: Wrong, weight: float64(len(signs)), Exchanges: firstFew(kept), rows: rows, Finding: decode.Finding{
		Code: "two-clients", Subject: s.config.lineName(), Claim: sure,
		Words: "more than one client seems to ask here: " + strings.Join(signs, "; "),
		Do:    "find the other client and let only one ask at a time; on a serial pair two clients destroy each other's frames",
	}}}
}

// firstFew bounds the evidence of findings that rest on many.
func firstFew(x []*decode.Exchange) []*decode.Exchange { return x[:min(len(x), 2*mostEvidence)] }

// Two stations with one number: damage at one unit while the others are clean.
// Ours; the sign itself is common practice (trade.md 2.4).
const (
	collideShare  = 0.05
	collideFewest = 5
	collideTimes  = 10 // as often as with the other units
)

// twoStations: answers of one unit only are damaged, or come twice.
func twoStations(s *State) (out []Finding) {
	if s.config.Framing == frameMBAP || s.config.Seen == Station {
		return nil
	}
	for u := range s.each {
		var others, clean uint64
		for o := range s.each {
			if o != u {
				others += o.exchanges
				clean += o.exchanges - o.damage
			}
		}
		twice := s.told.times("answered-twice", subjectOf(u.number))
		bad := share(u.damage, u.exchanges)
		alone := u.damage >= collideFewest && bad >= collideShare && others >= 10*collideFewest && bad >= collideTimes*share(others-clean, others)
		if !alone && twice == 0 {
			continue
		}
		f := Finding{Rank: Wrong, weight: bad, Exchanges: u.damaged.exchanges(), Finding: decode.Finding{
			Code: "two-stations", Subject: subjectOf(u.number), Claim: decode.Hint,
			Do: "switch one device of this number off, or look for a second one: if the other becomes clean, give it another number. If there is none, look at this device's stub, plug and driver",
		}}
		if alone {
			f.Words = fmt.Sprintf("%s of the answers of %s are damaged, of all others %s: two stations may have this number and speak at the same time",
				percent(bad), s.config.name(u.number), percent(share(others-clean, others)))
		} else {
			f.Words = fmt.Sprintf("%s answered one request twice, %s: two stations may have this number", s.config.name(u.number), count(twice, "time"))
		}
		if alone && twice > 0 {
			f.Claim = decode.Likely
			f.Words += fmt.Sprintf("; and requests were answered twice, %s", count(twice, "time"))
		}
		out = append(out, f)
	}
	return out
}
