package frame

import (
	"errors"
	"testing"
)

// Every PDU of testdata/spec/vectors.yaml has the length that its first bytes
// imply, however few of them are there, and no part of it asks for bytes that it
// already has.
func TestImpliedLengthsOfTheStandard(t *testing.T) {
	tried := 0
	for _, f := range seedFrames(t) {
		d := Asking
		if f.answer {
			d = Answering
		}
		_, err := ParseRequest(f.pdu)
		if f.answer {
			_, err = ParseResponse(f.pdu)
		}
		if errors.Is(err, ErrFunction) || errors.Is(err, ErrCount) || errors.Is(err, ErrShort) || errors.Is(err, ErrLong) {
			continue // the file holds wrong ones on purpose
		}
		tried++
		told := false
		for n := range len(f.pdu) + 1 {
			i := Imply(f.pdu[:n], d)
			switch {
			case !i.Known:
				t.Errorf("%s: % X is not known", f.id, f.pdu[:n])
			case i.Length == 0 && i.Needs <= n:
				t.Errorf("%s: needs %d of %d bytes", f.id, i.Needs, n)
			case i.Length == 0:
			case i.Step == 0 && i.Length != len(f.pdu):
				t.Errorf("%s: %d bytes imply %d, want %d", f.id, n, i.Length, len(f.pdu))
			case i.Step > 0 && (len(f.pdu) < i.Length || (len(f.pdu)-i.Length)%i.Step != 0):
				t.Errorf("%s: %d bytes imply %d and steps of %d, want %d", f.id, n, i.Length, i.Step, len(f.pdu))
			default:
				told = true
			}
		}
		if !told {
			t.Errorf("%s: the whole PDU implies no length", f.id)
		}
	}
	if tried < 60 {
		t.Errorf("%d PDUs tried", tried)
	}
}

// What begins no PDU of the standard. Source: V1.1b3 4.1, 5.1, 6.19.
func TestImplyNothing(t *testing.T) {
	for _, c := range []struct {
		hex string
		d   Direction
	}{
		{"00", Asking}, {"00", Answering}, {"09", Asking}, {"83", Asking}, {"80 01", Answering}, {"2B 0F", Asking},
		{"10 00 00 00 7F FE", Asking}, {"03 FE", Answering}, {"18 01 00", Answering},
	} {
		if got := Imply(unhex(t, c.hex), c.d); got != (Implied{}) {
			t.Errorf("%s %v: %+v", c.hex, c.d, got)
		}
	}
}

func FuzzImply(f *testing.F) {
	for _, s := range seedFrames(f) {
		f.Add(s.pdu, s.answer)
	}
	f.Fuzz(func(t *testing.T, b []byte, answer bool) {
		d := Asking
		if answer {
			d = Answering
		}
		i := Imply(b, d)
		if i.Length > MaxPDU || i.Length == 0 && i.Known && i.Needs <= len(b) || !i.Known && i != (Implied{}) {
			t.Fatalf("%+v of % X", i, b)
		}
	})
}
