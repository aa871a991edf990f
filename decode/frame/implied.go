package frame

// Implied is how long a PDU is by its first bytes. The zero Implied is of bytes
// that begin no PDU of the standard in this direction.
type Implied struct {
	Known  bool // the function, and what else the length rests on, is the standard's
	Length int  // bytes of the PDU, at most MaxPDU; with a Step the least; 0: not known yet
	Step   int  // 0: exactly Length; else Length, Length + Step, ... up to MaxPDU
	Needs  int  // while Length is 0: bytes that must be there before more can be told
}

// Imply says how long the PDU that b begins must be, read as a request or as an
// answer; d is Asking or Answering. A byte count beyond its function's limits
// counts as long as the PDU fits a frame, since such frames are sent. Lengths
// stay open (a Step) for the loop back of Diagnostics and for the MEI type whose
// content lives in another document. Source: V1.1b3 4.1, 6.1 to 6.21.
func Imply(b []byte, d Direction) Implied {
	answer := d == Answering
	switch {
	case len(b) == 0:
		return Implied{Known: true, Needs: 1}
	case b[0]&exceptionBit != 0 && answer && b[0] != exceptionBit:
		return Implied{Known: true, Length: exceptionLength}
	case rowOf(Function(b[0])) == nil:
		return Implied{}
	}
	switch Function(b[0]) {
	case Diagnostics:
		return implyDiagnostics(b)
	case EncapsulatedInterface:
		if len(b) < 2 {
			return Implied{Known: true, Needs: 2}
		}
		if b[1] == MEICANopen {
			return Implied{Known: true, Length: 2, Step: 1}
		}
	}
	s := shapeOf(b, answer)
	if s.open {
		return Implied{} // an MEI type that the standard does not have
	}
	n, _, _ := s.length(b)
	switch {
	case n == 0 && s.objects:
		return Implied{Known: true, Needs: max(len(b)+1, objectsAt)}
	case n == 0:
		return Implied{Known: true, Needs: s.count + s.width}
	case n > MaxPDU:
		return Implied{}
	}
	return Implied{Known: true, Length: n}
}

// implyDiagnostics: all have one data word in both directions but the loop
// back, which may have any number. Source: V1.1b3 6.8.1.
func implyDiagnostics(b []byte) Implied {
	r := rowOf(Diagnostics)
	if len(b) < 3 {
		return Implied{Known: true, Needs: 3}
	}
	i := Implied{Known: true, Length: r.request.min}
	if s := subRowOf(SubFunction(word(b, 1))); s != nil && s.any {
		i.Step = 2
	}
	return i
}
