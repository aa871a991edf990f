package traffic

import (
	"fmt"
	"strings"

	"plumbline/decode"
	"plumbline/regmap"
)

// damageCauses are what makes an answer unusable, by their words.
var damageCauses = []struct {
	cause regmap.Cause
	word  string
}{{regmap.Checksum, "damaged"}, {regmap.CutOff, "cut off"}, {regmap.Mismatch, "not an answer to its request"}, {regmap.NeverQuiet, "drowned in noise"}}

// damagedAnswers: answers that came and could not be used.
func damagedAnswers(s *State) (out []Finding) {
	for u := range s.each {
		if u.damage == 0 {
			continue
		}
		var kinds []string
		for _, k := range damageCauses {
			if n := u.byCause[k.cause]; n > 0 {
				kinds = append(kinds, fmt.Sprintf("%d %s", n, k.word))
			}
		}
		f := Finding{Rank: Loss, weight: share(u.damage, u.exchanges), Exchanges: u.damaged.exchanges(), Finding: decode.Finding{
			Code: "damaged-answers", Subject: subjectOf(u.number), Claim: decode.Settled,
			Words: fmt.Sprintf("%s of %s could not be used (%s): %s", count(u.damage, "answer"), s.config.name(u.number),
				percent(share(u.damage, u.exchanges)), strings.Join(kinds, ", ")),
			Do: s.damageDo(u),
		}}
		if u.damage < deadAfter {
			f.Claim, f.Rank = decode.Hint, Cost
		}
		if f.weight < lossFew {
			f.Rank = Remark
		}
		out = append(out, f)
	}
	return out
}

// damageDo: where many are refused, some pass (of 4-bit faults in an 8-byte
// frame 364 of 635,376 pass the CRC: robustness.md C13, computed).
func (s *State) damageDo(u *unit) string {
	switch {
	case s.config.Framing == frameMBAP:
		return "nothing damages bytes on a network unseen: the device or gateway makes these answers; compare the bytes below with the request"
	case u.byCause[regmap.Mismatch] > u.damage/2:
		return "frames are whole and not what was asked: look for a second client, two stations with one number, and late answers"
	}
	return "measure the pair without power: about 60 ohm with both terminators, 120 with one; check bias, shield and the common wire. " +
		"Where many answers are refused a few wrong ones pass the check, so cure it before trusting the values"
}

// noise: bytes and frames that nobody asked for.
func noise(s *State) []Finding {
	h := s.heard
	if h.Noise == 0 && h.Unasked == 0 {
		return nil
	}
	f := Finding{Rank: Cost, weight: float64(h.Noise + h.Unasked), Finding: decode.Finding{
		Code: "unasked-bytes", Subject: s.config.lineName(), Claim: decode.Hint,
		Words: fmt.Sprintf("%s and %s came that answer nothing asked", count(h.Unasked, "frame"), count(h.Noise, "byte")),
		Do:    "whole frames hint at a second client, loose bytes at a line that floats between frames: check the bias, 200 mV at least when idle",
	}}
	if h.Unasked >= 16 || h.Noise >= 16*max(s.exchanges, 1)/100 && h.Noise >= 64 {
		f.Claim, f.Rank = decode.Likely, Loss
	}
	return []Finding{f}
}

// echo: what comes begins with the request.
func echo(s *State) (out []Finding) {
	for u := range s.each {
		if u.echoed.count == 0 {
			continue
		}
		out = append(out, Finding{Rank: Loss, weight: share(u.echoed.count, u.exchanges), Exchanges: u.echoed.exchanges(), Finding: decode.Finding{
			Code: "echo", Subject: subjectOf(u.number), Claim: claimOf(u.echoed.count, 3),
			Words: fmt.Sprintf("%s: what came began with the request itself, %s of %d", s.config.name(u.number), count(u.echoed.count, "time"), u.exchanges),
			Do:    "the adapter hears its own transmitter: let it switch its receiver off while it sends, or let the client take the copy off",
		}})
	}
	return out
}

// claimOf is likely from so many cases on.
func claimOf(n, enough uint64) decode.Claim {
	if n >= enough {
		return decode.Likely
	}
	return decode.Hint
}
