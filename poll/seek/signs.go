package seek

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// conclude puts what was seen into words, with what it hints at. Which symptom
// has which cause is common practice, save where a source stands.
func (s *seeker) conclude() {
	r := s.report
	linked := r.Signs // of the link, told while it worked
	r.Signs = nil
	s.concludeHeard()
	s.concludeUnits()
	if r.Found == nil && r.End != OtherClient && r.End != Unexplained {
		s.concludeNothing()
	}
	for _, f := range linked {
		switch f.Code {
		case "answered-twice":
			s.sign(twoStations(f.Subject, f.Subject+" answered one request twice", f.Evidence))
		case "late-answer": // the second of two answers may look so
		default:
			s.sign(f)
		}
	}
	slices.SortStableFunc(r.Signs, func(a, b decode.Finding) int { return int(b.Claim) - int(a.Claim) })
}

// concludeHeard is what was heard before anything was sent.
func (s *seeker) concludeHeard() {
	for _, h := range s.report.Heard {
		if h.Client() {
			s.sign(decode.Finding{
				Code: "second-client", Subject: "line", Claim: decode.Settled, Words: h.Words() + " (" + h.Settings.String() + ")",
				Do: "two clients on one pair spoil each other's exchanges: listen with the listen command, or stop the other client; --share asks in spite of it",
			})
			return
		}
	}
	for _, h := range s.report.Heard {
		if h.Bytes > strayBytes {
			s.sign(decode.Finding{
				Code: "unasked-bytes", Subject: "line", Claim: decode.Likely, Words: h.Words() + ", nor at any other setting that was listened to",
				Do: "something else talks on this pair, or the pair floats because nothing biases it: find out which before asking; --share asks in spite of it",
			})
			return
		}
	}
}

// concludeUnits is what is strange about units that answer.
func (s *seeker) concludeUnits() {
	r := s.report
	if r.End == FellSilent {
		s.sign(decode.Finding{
			Code: "fell-silent", Subject: subject(r.Fallen), Claim: decode.Settled,
			Words: fmt.Sprintf("unit %d had answered, and was then silent twice in a row, after %d requests in all; nothing more was sent", r.Fallen, r.Requests),
			Do:    "look whether the station still does its work before anything else is asked of it; a lower --rate or a longer --response may help; --go-on goes on in spite of it",
		})
	}
	if r.End == LineLost {
		s.sign(decode.Finding{
			Code: "line-lost", Subject: "line", Claim: decode.Settled,
			Words: fmt.Sprintf("after %d requests the port or connection was lost, and did not open again: %s", r.Requests, s.attempt.Closed),
			Do:    "look whether the adapter is still there, and whether the device still does its work, before anything else is asked of it",
		})
	}
	for _, g := range r.Garbled {
		s.sign(twoStations(subject(g.Unit), fmt.Sprintf("what answers as unit %d never comes whole, while others on the line do", g.Unit), []decode.ID{g.Exchange.ID}))
	}
	for _, u := range r.Units {
		if !u.Refuses {
			continue
		}
		var ids []decode.ID
		for _, x := range u.Matched {
			ids = append(ids, x.ID)
		}
		s.sign(decode.Finding{
			Code: "refuses-all", Subject: subject(u.Number), Claim: decode.Settled, Evidence: ids,
			Words: fmt.Sprintf("unit %d refuses address 0 of every table that was asked: settings and number are right, its addresses lie elsewhere", u.Number),
			Do:    "look for its addresses with --addresses; mind that a list may count from 1, and that 40001 is no address but a reference (address 0)",
		})
	}
	if i := slices.IndexFunc(r.Units, func(u *Unit) bool { return u.Number == itself }); i >= 0 && len(r.Units) > 1 {
		s.sign(decode.Finding{
			Code: "same-device", Subject: subject(itself), Claim: decode.Hint, Evidence: []decode.ID{r.Units[i].First().ID},
			Words: "in a network 255 means the device itself: it may be one of the others under its own number", // TCP guide V1.0b, 4.4.1.2
			Do:    "keep one of the two in the line file",
		})
	}
	if r.Found != nil && s.tries[*r.Found].Damaged > 0 {
		s.sign(damage(s.tries[*r.Found]))
	}
}

// itself is the number that means the device itself in a network.
const itself regmap.Unit = 255

// twoStations is the finding that a number is given twice.
func twoStations(subject, words string, evidence []decode.ID) decode.Finding {
	return decode.Finding{
		Code: "two-stations", Subject: subject, Claim: decode.Likely, Words: words + ": two stations have this number, and both talk", Evidence: evidence,
		Do: "take one of them off the pair and ask again; when the other one is clean then, give one a number of its own",
	}
}

// concludeNothing is what is seen where no settings were found.
func (s *seeker) concludeNothing() {
	var worst, echo, closed, path, other, never, damaged *Attempt
	most := func(have **Attempt, a *Attempt, c Class) {
		if a.Seen[c] > 0 && (*have == nil || a.Seen[c] > (*have).Seen[c]) {
			*have = a
		}
	}
	for _, a := range s.report.Tried {
		most(&worst, a, Garbage)
		most(&echo, a, Echo)
		most(&closed, a, Hangup)
		most(&path, a, NoPath)
		most(&other, a, OtherUnit)
		most(&never, a, NeverSilent)
		if len(a.Once) > 0 {
			s.sign(once(a))
		}
		if a.Damaged > 0 && (damaged == nil || a.whole() && !damaged.whole()) {
			damaged = a
		}
	}
	if damaged != nil {
		s.sign(damage(damaged))
	}
	s.signAttempt(path, NoPath, "gateway-no-path", "a gateway answered for units that it cannot reach (exception 0A or 0B)",
		"the network side is right; look at the gateway's own serial settings and at the line behind it")
	s.signAttempt(worst, Garbage, "garbage", "bytes came that make no frame", garbageHint(worst))
	s.signAttempt(other, OtherUnit, "other-unit", "good frames of a unit came that was not asked",
		"another client, or a gateway that mixes up answers; listen first")
	s.signAttempt(never, NeverSilent, "never-silent", "bytes came without end",
		"a driver is stuck on, or the two wires are swapped or float; see the wiring check")
	s.signAttempt(echo, Echo, "echo-only", "our own requests came back and nothing else did",
		"the adapter hears its own transmitter, which says that the port is the right one; beyond it the wiring, the settings or the number are wrong")
	s.signAttempt(closed, Hangup, "closed", "the connection was closed, or refused",
		"the device may take one client only, or wants another framing; close the other client and try again")
}

// signAttempt makes a finding of what was seen most at one setting.
func (s *seeker) signAttempt(a *Attempt, c Class, code, words, do string) {
	if a == nil {
		return
	}
	f := decode.Finding{Code: code, Subject: "line", Claim: decode.Likely, Do: do,
		Words: fmt.Sprintf("%s: after %d of %d requests at %s", words, a.Seen[c], a.Asked, a.Settings)}
	if a.Example != nil {
		f.Evidence = []decode.ID{a.Example.ID}
	}
	s.sign(f)
}

// garbageHint says what garbage hints at by how it came.
func garbageHint(a *Attempt) string {
	switch {
	case a == nil:
		return ""
	case len(a.garbled) == 1 && a.Seen[Garbage] == 1 && beginsAsAnswer(a.garbled[0].Exchange):
		u := a.garbled[0].Unit
		return fmt.Sprintf("the bytes begin as an answer of unit %d: two stations may have this number and talk at once; take one off the pair and ask again", u)
	case a.Settings.Network():
		return "the other end speaks another framing than any that was tried, or another protocol; see what listens there"
	}
	return "speed or parity differ from the station's: far fewer bytes than were due hint at a station that is faster, more at a slower one; a byte too much at either end of a frame hints at a pair without bias"
}

// beginsAsAnswer says whether the bytes begin with the unit and function asked.
func beginsAsAnswer(x *decode.Exchange) bool {
	return len(x.Received) >= 2 && x.Received[0] == byte(x.Unit) && frame.Function(x.Received[1]&0x7F) == x.Request.Function
}

// damage says what characters with parity or framing errors hint at. With
// parity set on one side only, every other character is wrong: those whose bits
// would have had the other parity (worked out from the character's form).
func damage(a *Attempt) decode.Finding {
	hint := "speed, parity or stop bits differ, or the pair is disturbed"
	if a.whole() {
		hint = "and yet they make whole frames with a right check: the speed is right, the parity is not"
	} else if n := a.Bytes; n > 0 {
		switch part := float64(a.Damaged) / float64(n); {
		case part > 0.9:
			hint = "every character is damaged: even parity against odd, or another speed"
		case part > 0.3:
			hint = "about half of the characters are damaged: parity may be set at one end only"
		}
	}
	return decode.Finding{
		Code: "damaged-characters", Subject: a.Settings.String(), Claim: decode.Likely,
		Words: fmt.Sprintf("%d characters came with a parity or framing error at %s", a.Damaged, a.Settings), Do: hint,
	}
}

// whole says whether something that came makes a whole frame, though characters
// of it were damaged.
func (a *Attempt) whole() bool {
	for _, g := range a.garbled {
		if _, err := frame.ParseADU(a.Settings.Framing, g.Exchange.Received); err == nil {
			return true
		}
	}
	return false
}

// once says that something fitted and was not believed.
func once(a *Attempt) decode.Finding {
	x := a.Once[0]
	return decode.Finding{
		Code: "fits-once", Subject: a.Settings.String(), Claim: decode.Hint, Evidence: []decode.ID{x.ID},
		Words: fmt.Sprintf("something fitted as an answer of unit %d at %s (% X), but not three times in different shapes; it does not count as found",
			x.Unit, a.Settings, x.Received),
		Do: "it may be chance, a disturbed line, or a station that answers little; ask that unit alone with --units",
	}
}

func subject(u regmap.Unit) string { return fmt.Sprintf("unit %d", u) }

// AllSilent says whether nothing came that a station may have sent.
func (r *Report) AllSilent() bool {
	for _, a := range r.Tried {
		for c, n := range a.Seen {
			if n > 0 && Class(c) != Silence && Class(c) != Echo {
				return false
			}
		}
	}
	return len(r.Tried) > 0 && r.End == Finished
}

// SameSettings is what cannot be told apart from the settings found; "" for
// none.
func (r *Report) SameSettings() string {
	if r.Found == nil || r.Found.Network() || !strings.Contains(r.Found.String(), "N") {
		return ""
	}
	return "8N1 and 8N2 cannot be told apart from here: a second stop bit looks like silence. Two are sent; put down what the station's manual says"
}
