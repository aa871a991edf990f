package frame

import (
	"bytes"
	"errors"
	"reflect"
	"testing"

	"plumbline/regmap/line"
)

// seedPDUs adds every PDU of the vectors and every proper prefix.
func seedPDUs(f *testing.F, add func(s seedFrame, pdu []byte)) {
	f.Helper()
	for _, s := range seedFrames(f) {
		for n := range len(s.pdu) + 1 {
			add(s, s.pdu[:n])
		}
	}
}

// knownClass checks that an error is one of the classes and names its byte.
func knownClass(t *testing.T, err error, n int) *Error {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("%T: %v", err, err)
	}
	for _, class := range []error{ErrShort, ErrLong, ErrFunction, ErrCount, ErrValue, ErrChecksum, ErrProtocol, ErrLength, ErrCharacter, ErrMismatch} {
		if errors.Is(err, class) {
			if e.Offset < 0 || e.Offset > n || e.Words == "" {
				t.Fatalf("%d bytes: %+v", n, e)
			}
			return e
		}
	}
	t.Fatalf("no class: %v", err)
	return nil
}

func FuzzPDURequest(f *testing.F) {
	seedPDUs(f, func(s seedFrame, pdu []byte) {
		if !s.answer {
			f.Add(pdu)
		}
	})
	f.Fuzz(func(t *testing.T, pdu []byte) {
		q, err := ParseRequest(pdu)
		if err != nil {
			if !zeroRequest(q) {
				t.Fatalf("%v, yet %+v", err, q)
			}
			if e := knownClass(t, err, len(pdu)); e.Exception < 1 || e.Exception > 3 || !errors.Is(err, ErrMalformed) {
				t.Fatalf("%+v", e)
			}
			return
		}
		back, err := q.Append(nil)
		if err != nil || !bytes.Equal(back, pdu) {
			t.Fatalf("% X: back % X, %v", pdu, back, err)
		}
		for _, d := range []Direction{Asking, Answering} {
			covers(t, Explain(0, pdu, d, &q), len(pdu), "request")
		}
		asJSON(t, q.Decoded())
		if n, exact := AnswerLength(q); n < 0 || n > MaxPDU || exact && n == 0 && q.SubFunction != ForceListenOnlyMode {
			t.Fatalf("% X: answer of %d", pdu, n)
		}
	})
}

func FuzzPDUResponse(f *testing.F) {
	seedPDUs(f, func(s seedFrame, pdu []byte) {
		if s.answer {
			f.Add(pdu)
		}
	})
	f.Fuzz(func(t *testing.T, pdu []byte) {
		a, err := ParseResponse(pdu)
		covers(t, Explain(0, pdu, Answering, nil), len(pdu), "response")
		if err != nil {
			if !zeroResponse(a) {
				t.Fatalf("%v, yet %+v", err, a)
			}
			if e := knownClass(t, err, len(pdu)); e.Exception != 0 || !errors.Is(err, ErrMalformed) {
				t.Fatalf("%+v", e)
			}
			return
		}
		back, err := a.Append(nil)
		if err != nil || !bytes.Equal(back, pdu) {
			t.Fatalf("% X: back % X, %v", pdu, back, err)
		}
		asJSON(t, a.Decoded(nil))
	})
}

func FuzzMatch(f *testing.F) {
	for _, s := range seedFrames(f) {
		if s.answer {
			for n := range len(s.pdu) + 1 {
				f.Add(s.asked, s.pdu[:n])
			}
		}
	}
	f.Fuzz(func(t *testing.T, request, pdu []byte) {
		q, err := ParseRequest(request)
		if err != nil {
			return
		}
		a, err := Match(q, pdu)
		if err != nil {
			if e := knownClass(t, err, len(pdu)); e.Exception != 0 || errors.Is(err, ErrMalformed) == errors.Is(err, ErrMismatch) {
				t.Fatalf("%+v", e)
			}
			if !zeroResponse(a) {
				t.Fatalf("%v, yet %+v", err, a)
			}
			return
		}
		if a.Function != q.Function {
			t.Fatalf("%v answered by %v", q.Function, a.Function)
		}
		if a.Exception != 0 {
			if want := []byte{byte(q.Function) | 0x80, byte(a.Exception)}; !bytes.Equal(pdu, want) {
				t.Fatalf("exception out of % X", pdu)
			}
			return
		}
		if n, exact := AnswerLength(q); exact && n > 0 && len(pdu) != n || len(pdu) > n && n > 0 {
			t.Fatalf("% X answered by % X, %d bytes expected", request, pdu, n)
		}
		switch q.Function { // the answers that repeat the request
		case WriteSingleCoil, WriteSingleRegister, MaskWriteRegister, WriteFileRecord:
			if !bytes.Equal(pdu, request) {
				t.Fatalf("% X is no echo of % X", pdu, request)
			}
		case WriteMultipleCoils, WriteMultipleRegisters:
			if !bytes.Equal(pdu, request[:5]) {
				t.Fatalf("% X is no echo of % X", pdu, request[:5])
			}
		}
	})
}

func FuzzDeviceID(f *testing.F) {
	seedPDUs(f, func(s seedFrame, pdu []byte) {
		if s.answer && len(pdu) > 2 && pdu[0] == 0x2B {
			f.Add(pdu[2:])
		}
	})
	f.Fuzz(func(t *testing.T, tail []byte) {
		a, err := ParseResponse(append([]byte{0x2B, 0x0E}, tail...))
		if err != nil {
			return
		}
		count, size := 0, 0
		for id, value := range a.Objects() {
			count, size = count+1, size+2+len(value)
			if count == 1 && id != a.Data[0] {
				t.Fatalf("object %d first in % X", id, a.Data)
			}
		}
		if count != int(a.Count) || size != len(a.Data) {
			t.Fatalf("%d of %d objects, %d of %d bytes", count, a.Count, size, len(a.Data))
		}
	})
}

func FuzzFileRecord(f *testing.F) {
	seedPDUs(f, func(s seedFrame, pdu []byte) {
		if len(pdu) > 0 && (pdu[0] == 0x14 || pdu[0] == 0x15) {
			f.Add(s.answer, pdu[0] == 0x15, pdu[1:])
		}
	})
	f.Fuzz(func(t *testing.T, answer, write bool, tail []byte) {
		function := byte(ReadFileRecord)
		if write {
			function = byte(WriteFileRecord)
		}
		pdu := append([]byte{function}, tail...)
		size, registers := 2, 0
		sum := func(g Group) {
			registers += g.Length
			size += len(g.Data)
			if write || answer {
				if len(g.Data) != 2*g.Length || len(g.Registers(nil)) != g.Length {
					t.Fatalf("%+v", g)
				}
			}
			if write || !answer {
				size += 7
			} else {
				size += 2
			}
		}
		if answer {
			a, err := ParseResponse(pdu)
			if err != nil {
				return
			}
			for g := range a.Groups() {
				sum(g)
			}
		} else {
			q, err := ParseRequest(pdu)
			if err != nil {
				return
			}
			for g := range q.Groups() {
				sum(g)
			}
			if n, exact := AnswerLength(q); !exact || n > MaxPDU {
				t.Fatalf("answer of %d bytes", n)
			}
		}
		if size != len(pdu) || registers == 0 || registers > MaxPDU/2 {
			t.Fatalf("% X: groups hold %d of %d bytes, %d registers", pdu, size, len(pdu), registers)
		}
	})
}

// streams adds frames of the vectors in one framing, whole, doubled, damaged
// and cut.
func streams(f *testing.F, framing line.Framing) {
	for _, s := range seedFrames(f) {
		raw, err := AppendADU(nil, vectorADU(framing, s.pdu))
		if err != nil {
			f.Fatal(err)
		}
		for n := range len(raw) + 1 {
			f.Add(raw[:n], byte(n), byte(0), s.asked)
		}
		f.Add(append(raw, raw...), byte(5), byte(1), s.asked)
		f.Add(append([]byte{0x11, ':', 0}, raw...), byte(2), byte(2), s.asked)
	}
}

// FuzzMBAP: the same frames however the bytes are cut, and each frame goes back
// into the bytes it came from.
func FuzzMBAP(f *testing.F) {
	streams(f, line.MBAP)
	f.Fuzz(func(t *testing.T, stream []byte, cut, _ byte, _ []byte) {
		if len(stream) > 2000 {
			return
		}
		for _, s := range sameHoweverCut(t, Codec{Framing: line.MBAP}, stream, int(cut)) {
			goesBack(t, s, stream)
		}
		parsesOrRefuses(t, line.MBAP, stream)
	})
}

// FuzzRTU: as FuzzMBAP, with requests or answers awaited; on half of the inputs
// the CRC is put right first, which would hide what lies behind it.
func FuzzRTU(f *testing.F) {
	streams(f, line.RTU)
	f.Fuzz(func(t *testing.T, stream []byte, cut, mode byte, asked []byte) {
		if len(stream) > 600 {
			return
		}
		if n := len(stream); mode&1 != 0 && n >= 4 {
			n = min(n, 4+int(cut)) // a whole frame at the start
			crc := CRC(stream[:n-2])
			stream = bytes.Clone(stream)
			stream[n-2], stream[n-1] = byte(crc), byte(crc>>8)
		}
		c := Codec{Framing: line.RTU, Unit: vectorUnit}
		if q, err := ParseRequest(asked); err == nil && mode&2 != 0 {
			c.Awaits = &q
		}
		for _, s := range sameHoweverCut(t, c, stream, int(cut)) {
			goesBack(t, s, stream)
		}
		for _, s := range run(t, c, stream, nil, true) {
			goesBack(t, s, stream)
		}
		parsesOrRefuses(t, line.RTU, stream)
	})
}

// FuzzASCII: as FuzzRTU; the LRC is put right on half of the inputs.
func FuzzASCII(f *testing.F) {
	streams(f, line.ASCII)
	f.Fuzz(func(t *testing.T, stream []byte, cut, mode byte, asked []byte) {
		if len(stream) > 2000 {
			return
		}
		if mode&1 != 0 && len(asked) > 0 && len(asked) <= MaxPDU {
			whole, err := AppendADU(nil, ADU{Framing: line.ASCII, Unit: vectorUnit, PDU: asked})
			if err != nil {
				t.Fatal(err)
			}
			stream = append(bytes.Clone(stream), whole...)
			if got := framesOf(sameHoweverCut(t, Codec{Framing: line.ASCII}, stream, int(cut))); len(got) == 0 || !bytes.Equal(got[len(got)-1].PDU, asked) {
				t.Fatalf("%q: %+v", stream, got)
			}
		}
		for _, s := range sameHoweverCut(t, Codec{Framing: line.ASCII}, stream, int(cut)) {
			goesBack(t, s, stream)
		}
		parsesOrRefuses(t, line.ASCII, stream)
	})
}

func goesBack(t *testing.T, s step, stream []byte) {
	t.Helper()
	if s.words != "" {
		return
	}
	if back, err := AppendADU(nil, s.adu); err != nil || !bytes.Contains(stream, back) {
		t.Fatalf("%+v is % X, %v, not of % X", s.adu, back, err, stream)
	}
}

func parsesOrRefuses(t *testing.T, framing line.Framing, raw []byte) {
	t.Helper()
	a, err := ParseADU(framing, raw)
	if err != nil {
		if !zeroADU(a) {
			t.Fatalf("%v, yet %+v", err, a)
		}
		knownClass(t, err, len(raw))
	} else if back, err := AppendADU(nil, a); err != nil || !reflect.DeepEqual(back, raw) {
		t.Fatalf("% X: back % X, %v", raw, back, err)
	}
	for _, d := range []Direction{Asking, Answering} {
		covers(t, Explain(framing, raw, d, nil), len(raw), "adu")
	}
}
