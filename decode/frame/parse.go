package frame

// shapeOf is the length rule of a PDU that begins with b, one byte at least, by
// its function and, in 2B, its MEI type; nil when there is none.
func shapeOf(b []byte, answer bool) *shape {
	r := rowOf(Function(b[0]))
	if r != nil && r.function == EncapsulatedInterface && len(b) > 1 && b[1] == MEIDeviceID {
		r = &deviceID
	}
	switch {
	case r == nil:
		return nil
	case answer:
		return &r.response
	}
	return &r.request
}

// length is the PDU length that the first bytes imply: 0 while more are needed,
// and ok is false where they imply none. from is how many bytes it rests on.
func (s *shape) length(b []byte) (n, from int, ok bool) {
	switch {
	case s.open:
		return 0, 0, false
	case s.objects:
		n, from = objectsLength(b)
		return n, from, true
	case s.count == 0:
		return s.max, 1, true
	case len(b) < s.count+s.width:
		return 0, 0, true
	}
	from = s.count + s.width
	return from + s.counted(b), from, true
}

// counted is the value of the byte count.
func (s *shape) counted(b []byte) int {
	if s.width == 2 {
		return int(word(b, s.count))
	}
	return int(b[s.count])
}

// Offsets in the answer of Read Device Identification. Source: V1.1b3 6.21.
const (
	objectCountAt = 6
	objectsAt     = 7
)

// objectsLength walks the list of objects, no further than a PDU reaches; 0
// while more bytes are needed. from is how many bytes it rests on.
func objectsLength(b []byte) (n, from int) {
	if len(b) < objectsAt {
		return 0, 0
	}
	n, from = objectsAt, objectsAt
	for range b[objectCountAt] {
		if n > MaxPDU {
			break
		}
		if len(b) < n+objectHead {
			return 0, 0
		}
		from = n + objectHead
		n = from + int(b[n+1])
	}
	return n, from
}

// check judges the length of a whole PDU: bytes against the function's length,
// and the byte count against its limits and the bytes present.
func (s *shape) check(r *row, pdu []byte) *Error {
	if !s.open && !s.objects && s.count > 0 && len(pdu) >= s.count+s.width {
		low, high := s.min-s.count-s.width, s.max-s.count-s.width
		if n := s.counted(pdu); n < low || n > high {
			return refuse(ErrCount, s.count, "byte count %d; %s allows %d to %d (V1.1b3 %s)", n, r.name, low, high, r.clause)
		}
	}
	n, _, fixed := s.length(pdu)
	switch {
	case !fixed && len(pdu) < s.min:
		n = s.min
	case !fixed || len(pdu) == n:
		return nil
	case n > 0 && len(pdu) > n:
		return refuse(ErrLong, n, "%d bytes, %d of them after the end; %s has %d here (V1.1b3 %s)", len(pdu), len(pdu)-n, r.name, n, r.clause)
	}
	return refuse(ErrShort, len(pdu), "%d bytes; %s has %d or more here (V1.1b3 %s)", len(pdu), r.name, max(n, s.min), r.clause)
}

// head finds the row of a PDU and judges its length.
func head(pdu []byte, answer bool) (*row, *Error) {
	switch {
	case len(pdu) == 0:
		return nil, refuse(ErrShort, 0, "no byte; a PDU has at least its function code (V1.1b3 4.1)")
	case len(pdu) > MaxPDU:
		return nil, refuse(ErrLong, MaxPDU, "%d bytes; a PDU has at most %d (V1.1b3 4.1)", len(pdu), MaxPDU)
	}
	f := Function(pdu[0])
	r := rowOf(f)
	if r == nil {
		return nil, refuse(ErrFunction, 0, "%s; the standard has no such public function (V1.1b3 5.1)", f)
	}
	if f == EncapsulatedInterface {
		if len(pdu) < r.request.min {
			return nil, refuse(ErrShort, len(pdu), "%d byte; %s has its MEI type too (V1.1b3 %s)", len(pdu), r.name, r.clause)
		}
		switch pdu[1] {
		case MEIDeviceID:
			r = &deviceID
		case MEICANopen:
		default:
			return nil, refuse(ErrFunction, 1, "MEI type %d; 13 and 14 are known (V1.1b3 6.19)", pdu[1])
		}
	}
	s := &r.request
	if answer {
		s = &r.response
	}
	return r, s.check(r, pdu)
}

// within judges a field against its limits.
func (l limit) within(r *row, at, n int, what string) *Error {
	if l.holds(n) {
		return nil
	}
	return refuse(ErrValue, at, "%s %d; %s allows %d to %d (V1.1b3 %s)", what, n, r.name, l.min, l.max, r.clause)
}

// bytesFor judges a byte count against the items that it must hold.
func bytesFor(r *row, at, count, quantity int) *Error {
	if want := dataBytes(r, quantity); count != want {
		return refuse(ErrCount, at, "byte count %d; a quantity of %d takes %d (V1.1b3 %s)", count, quantity, want, r.clause)
	}
	return nil
}

// dataBytes is the bytes that a quantity of the row's items takes.
func dataBytes(r *row, quantity int) int { return (quantity*r.item + 7) / 8 }

// coilWord judges the value of Write Single Coil.
func coilWord(v uint16) *Error {
	if v == 0 || v == coilOn {
		return nil
	}
	return refuse(ErrValue, 3, "coil value %04X; FF00 and 0000 are allowed (V1.1b3 6.5)", v)
}
