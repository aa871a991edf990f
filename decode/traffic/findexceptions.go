package traffic

import (
	"fmt"
	"strings"

	"plumbline/decode"
	"plumbline/decode/frame"
)

// exceptionsSeen: each exception of each range, with its likely cause there.
// Codes: V1.1b3, 7.
func exceptionsSeen(s *State) (out []Finding) {
	for _, r := range s.order {
		for i := range r.codes {
			c := &r.codes[i]
			f := Finding{Rank: Loss, weight: share(c.kept.count, r.exchanges), Exchanges: c.kept.exchanges(), rows: []key{r.key}, Finding: decode.Finding{
				Code: "exception", Subject: subjectOf(r.unit), Claim: decode.Settled,
				Words: fmt.Sprintf("%s refused %s %d of %d times: %s", s.config.name(r.unit), r.words(), c.kept.count, r.exchanges, c.code),
				Do:    s.exceptionDo(r, c.code),
			}}
			out = append(out, f)
		}
	}
	return out
}

// words is a range for people: "read input registers 30001-30008 (address
// 0-7)".
func (r *row) words() string {
	name := strings.ToLower(r.function.String())
	switch {
	case r.beyond:
		return name + ", other ranges"
	case r.span.Count == 0:
		return name
	}
	return name + " " + r.span.String()
}

// exceptionDo is the likely cause of a code for this request.
func (s *State) exceptionDo(r *row, e frame.Exception) string {
	switch e {
	case frame.IllegalFunction:
		if alike := s.sameTable(r); alike {
			return "the station answers other functions on this table and not this one: write with the single or the multiple function, whichever it has"
		}
		return fmt.Sprintf("the station does not have this function (%d, 0x%02X), or not in its present state", uint8(r.function), uint8(r.function))
	case frame.IllegalDataAddress:
		return s.addressDo(r)
	case frame.IllegalDataValue:
		return s.valueDo(r)
	case frame.ServerDeviceBusy, frame.Acknowledge:
		return "the station is busy: ask less often, and repeat after a growing pause"
	case frame.GatewayPathUnavailable:
		return "the gateway has no way to this unit: look at its list of units and its serial settings, or ask it less at a time"
	case frame.GatewayTargetDeviceFailedToRespond:
		return "the gateway asked and the device behind it stayed silent: treat it as a silent unit of the serial side, its number, supply and wires"
	}
	return e.Meaning()
}

// sameTable says whether another function on the same table and unit was
// answered.
func (s *State) sameTable(r *row) bool {
	for _, o := range s.rowsOf(r.unit) {
		if o.function != r.function && o.span.Table == r.span.Table && o.answered > 0 && o.reads == r.reads {
			return true
		}
	}
	return false
}

// addressDo looks for what is not there: against the map, else against the
// ranges that were answered.
func (s *State) addressDo(r *row) string {
	if r.span.First >= 30000 && r.span.Count > 0 {
		return fmt.Sprintf("address %d looks like a reference number sent as an address; references count from 1 with the table in front", r.span.First)
	}
	for _, o := range s.rowsOf(r.unit) {
		if o.answered == 0 || o.span.Table != r.span.Table || !o.reads || o.span.Count == 0 {
			continue
		}
		if o.span.First == r.span.First && o.span.Count < r.span.Count {
			return fmt.Sprintf("%d from the same address are answered, %d are not: the range runs past the end of what the station has, or over a hole", o.span.Count, r.span.Count)
		}
		if o.span.First < r.span.First && o.span.End() >= int(r.span.First) && o.span.End() < r.span.End() {
			return fmt.Sprintf("up to address %d the station answers; this range runs past the end, shorten it", o.span.End()-1)
		}
	}
	if m := s.config.deviceMap(r.unit); m != nil && r.span.Count > 0 {
		if m.Layout().Answers(r.span) {
			return "the map has all of these addresses, the station has not: compare the map's issue with the device's, then addresses counted from 0 and from 1"
		}
		return "the map has not all of these addresses either: correct the request"
	}
	return "ask for fewer at a time to find which address is missing; then try the neighbouring address and the other table"
}

// valueDo: 03 is about the request's own counts, not the process.
func (s *State) valueDo(r *row) string {
	if m := s.config.deviceMap(r.unit); m != nil && r.reads {
		if most := m.Layout().MostRead(r.span.Table); r.span.Count > most {
			return fmt.Sprintf("%d items are asked, the map allows %d in one request: ask for fewer", r.span.Count, most)
		}
	}
	if !r.reads {
		return "the station does not take this value or count; compare with the limits in its manual"
	}
	if smaller := s.smallerAnswered(r); smaller > 0 {
		return fmt.Sprintf("%d items at a time are answered, %d are not: the device takes shorter requests only", smaller, r.span.Count)
	}
	return "ask for fewer items at a time; many devices take less than the standard's 125 registers"
}

// smallerAnswered is the largest smaller read of the same table that was
// answered; 0 for none.
func (s *State) smallerAnswered(r *row) (n int) {
	for _, o := range s.rowsOf(r.unit) {
		if o.answered > 0 && o.reads && o.span.Table == r.span.Table && o.span.Count < r.span.Count {
			n = max(n, o.span.Count)
		}
	}
	return n
}
