package traffic

import (
	"fmt"

	"plumbline/decode"
)

// portGone: the port or connection was lost, or could not be opened.
func portGone(s *State) []Finding {
	p := &s.port
	if p.losses == 0 {
		return nil
	}
	f := Finding{Rank: Loss, weight: float64(p.losses), Finding: decode.Finding{
		Code: "line-down", Subject: s.config.lineName(), Claim: decode.Settled,
		Words: fmt.Sprintf("the port or connection was lost %s (%s); it was away for %s in all", count(p.losses, "time"), p.why, span(p.down)),
		Do:    "look at plug, cable and supply of the adapter or gateway; a device that takes few connections drops the oldest",
	}}
	if !p.up {
		f.Rank = Wrong
		f.Words = fmt.Sprintf("the port or connection is gone since %s: %s", moment(p.since), p.why)
	}
	return []Finding{f}
}
