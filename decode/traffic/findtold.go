package traffic

import (
	"fmt"

	"plumbline/decode"
)

// toldRanks are the ranks of findings that come as events; what is not here is
// a remark.
var toldRanks = map[string]Rank{
	"late-answer": Wrong, "answered-twice": Wrong, "second-client": Wrong, "stray-answer": Loss, "adapter-echoes": Remark, "other-unit": Remark,
}

// toldByOthers: findings that came with the stream.
func toldByOthers(s *State) (out []Finding) {
	for _, t := range s.told.list {
		f := Finding{Finding: t.Finding, Rank: toldRanks[t.Code], weight: float64(t.times), Exchanges: t.kept}
		if t.times > 1 {
			f.Words = fmt.Sprintf("%s (%s, this is the last)", f.Words, count(t.times, "time"))
		}
		if len(t.kept) < len(t.Evidence) {
			f.Exchanges = nil // the identities say more than what is kept
			f.Evidence = append([]decode.ID(nil), t.Evidence...)
		}
		out = append(out, f)
	}
	return out
}
