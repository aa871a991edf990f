package traffic

import (
	"fmt"
	"math"

	"plumbline/decode"
)

// Retries; ours. So many repeats are advised that less than one exchange in
// 10,000 stays lost, were each try to fail on its own; two, where three would
// be needed, because then the line wants cure and not repeats.
const (
	retriesLost   = 1e-4
	retriesMost   = 2
	retriesFewest = 200  // first tries
	retriesWorst  = 0.20 // share of failed tries above which repeats are no answer
)

// retriesNeeded: whether repeating would help, or does not.
func retriesNeeded(s *State) (out []Finding) {
	if s.config.Seen != Client {
		return nil
	}
	for u := range s.each {
		t := s.config.timing(u.number)
		p := share(u.failing, u.exchanges)
		dead, _ := u.dead()
		if u.exchanges < retriesFewest || u.failing < deadAfter || p > retriesWorst || t.Response == 0 || dead {
			continue
		}
		if t.Retries > 0 && u.failing >= 20 && u.recovered*4 < u.failing {
			out = append(out, Finding{Rank: Cost, weight: p, Exchanges: u.repeated.exchanges(), Finding: decode.Finding{
				Code: "retries-useless", Subject: subjectOf(u.number), Claim: decode.Likely,
				Words: fmt.Sprintf("repeating helps %s little: of %d first tries that failed, repeats brought %d", s.config.name(u.number), u.failing, u.recovered),
				Do:    "what fails fails for a while; look for its cause, each repeat only costs the other units time",
			}})
			continue
		}
		need := int(min(math.Ceil(math.Log(retriesLost)/math.Log(p))-1, retriesMost))
		if need <= t.Retries {
			continue
		}
		words := fmt.Sprintf("%s of first tries to %s fail; with %d repeats about %s of the exchanges stay lost, with %d about %s",
			percent(p), s.config.name(u.number), t.Retries, percent(math.Pow(p, float64(t.Retries+1))), need, percent(math.Pow(p, float64(need+1))))
		if burst := share(u.failPairs, u.pairs); u.pairs >= 20 && burst > 3*p {
			words += fmt.Sprintf("; but failures come together (%s of the tries after a failed one), so it may be less", percent(burst))
		}
		out = append(out, Finding{Rank: Remark, weight: p, Exchanges: u.silent.exchanges(), Finding: decode.Finding{
			Code: "retries-few", Subject: subjectOf(u.number), Claim: decode.Hint, Words: words,
			Do: fmt.Sprintf("set retries: %d once the cause is known to be chance", need),
		}})
	}
	return out
}
