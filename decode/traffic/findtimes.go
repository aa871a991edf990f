package traffic

import (
	"fmt"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
)

// tooEarly: frames that came before the line had been silent for 3.5
// characters. Source: serial guide 2.5.1.1.
func tooEarly(s *State) (out []Finding) {
	gap := frame.Gap35(s.config.Serial)
	for u := range s.each {
		if u.early.count == 0 {
			continue
		}
		f := Finding{Rank: Cost, weight: share(u.early.count, u.first.count), Exchanges: u.early.exchanges(), Finding: decode.Finding{
			Code: "answer-too-early", Subject: subjectOf(u.number), Claim: decode.Hint,
			Words: fmt.Sprintf("%s of %s began less than 3.5 characters (%s) after the request, the earliest after %s",
				count(u.early.count, "answer"), s.config.name(u.number), span(gap), span(u.first.least)),
			Do: "give the device a response delay where it has one; an adapter that still drives, or a client that is not listening yet, loses such answers",
		}}
		if u.early.count >= 20 && u.early.count*10 >= u.first.count {
			f.Claim = decode.Likely
		}
		out = append(out, f)
	}
	if n := s.hasty.count; n > 0 {
		f := Finding{Rank: Cost, weight: share(n, s.rated), Exchanges: s.hasty.exchanges(), Finding: decode.Finding{
			Code: "request-too-early", Subject: s.config.lineName(), Claim: decode.Hint,
			Words: fmt.Sprintf("%s of %d began less than 3.5 characters (%s) after the answer before", count(n, "request"), s.rated, span(gap)),
			Do:    "let the client pause: stations may take both frames for one, and drop it",
		}}
		if n >= 20 && n*10 >= s.rated {
			f.Claim = decode.Likely
		}
		out = append(out, f)
	}
	return out
}

// loadMost is the share of its time that a line can be asked for, ours; what
// is beyond leaves no room for one unit that does not answer.
const loadMost = 0.9

// cyclesFew is the share of cycles left out below which nothing is wrong; ours.
const cyclesFew = 0.01

// tooFast: more is asked than the line can carry. What this program asks itself
// waits for the line, and shows in cycles left out.
func tooFast(s *State) (out []Finding) {
	if s.cycles.skipped > 0 {
		f := Finding{Rank: Cost, weight: share(s.cycles.skipped, s.cycles.count), Finding: decode.Finding{
			Code: "cycles-left-out", Subject: s.config.lineName(), Claim: decode.Settled,
			Words: fmt.Sprintf("%s of %d were left out, because those before took longer than their period; the longest took %s, all %s on average",
				count(s.cycles.skipped, "cycle"), s.cycles.count+s.cycles.skipped, span(s.cycles.longest), span(s.cycles.sum/time.Duration(max(s.cycles.count, 1)))),
			Do: "ask less often, ask for fewer ranges, or find what takes the time: units that do not answer cost their whole time limit",
		}}
		if f.weight < cyclesFew { // the machine was busy for a moment
			f.Claim, f.Rank = decode.Hint, Remark
		}
		out = append(out, f)
	}
	if load := s.needed(); load > loadMost && s.exchanges >= 20 && s.config.Seen != Client {
		f := Finding{Rank: Loss, weight: load, Finding: decode.Finding{
			Code: "too-fast", Subject: s.config.lineName(), Claim: decode.Likely,
			Words: fmt.Sprintf("what is asked needs %s of the line's time at %s, before any device has thought about its answer", percent(load), s.config.Serial),
			Do:    "ask less often, ask for longer ranges in fewer requests, or raise the speed at all devices",
		}}
		switch {
		case load > 1:
			f.Claim = decode.Settled
		case s.config.Seen == Between: // a client that asks without pause fills any line
			f.Claim, f.Rank = decode.Hint, Cost
		}
		out = append(out, f)
	}
	return out
}

// needed is the share of its time that the serial line needs for what is
// asked, each request with its good answer and silences; 0 where the speed is
// not known.
func (s *State) needed() float64 {
	if d := s.askedTo - s.askedFrom; d > 0 {
		return float64(s.asked) / float64(d)
	}
	return 0
}
