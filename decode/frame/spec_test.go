package frame

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"plumbline/regmap/line"
)

// requestRefused says what ParseRequest must refuse among the exception vectors
// (the others rest on the station's own addresses or state).
func requestRefused(v vector) bool {
	switch v.ID {
	case "ex-quantity-zero", "ex-quantity-126", "ex-quantity-2001", "ex-quantity-before-address", "ex-coil-value",
		"ex-coil-value-before-address", "ex-write-coils-byte-count", "ex-write-registers-byte-count", "ex-unknown-function",
		"ex-file-reference-type", "ex-file-byte-count", "ex-diagnostics-unknown-sub", "ex-device-id-bad-code":
		return true
	}
	return false
}

// Every request of the vectors is read and written back, or refused with the
// exception that the standard wants. Source: vectors.yaml, clause of each row.
func TestVectorRequests(t *testing.T) {
	refused := 0
	for _, v := range loadVectors(t).all() {
		pdu := unhex(t, v.Request.PDU)
		q, err := ParseRequest(pdu)
		if requestRefused(v) {
			refused++
			var e *Error
			if !errors.As(err, &e) || uint8(e.Exception) != v.ExceptionCode || !errors.Is(err, ErrMalformed) {
				t.Errorf("%s: % X: %v, want exception %02X", v.ID, pdu, err, v.ExceptionCode)
			}
			if !reflect.DeepEqual(q, Request{}) {
				t.Errorf("%s: refused, yet %+v", v.ID, q)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: % X: %v", v.ID, pdu, err)
			continue
		}
		back, err := q.Append([]byte("x"))
		if err != nil || string(back) != "x"+string(pdu) {
			t.Errorf("%s: back % X, %v, want % X", v.ID, back, err, pdu)
		}
		if v.Function.Code != 0 && uint8(q.Function) != v.Function.Code {
			t.Errorf("%s: function %v", v.ID, q.Function)
		}
		if RequestLength(q) != len(pdu) {
			t.Errorf("%s: length %d, want %d", v.ID, RequestLength(q), len(pdu))
		}
	}
	if refused != 13 {
		t.Errorf("%d requests refused, 13 are named", refused)
	}
}

// Every answer is read, written back, and matched with its request; the
// example as printed is malformed (V1.1b3 6.21 p45).
func TestVectorResponses(t *testing.T) {
	for _, v := range loadVectors(t).all() {
		if v.Response == nil {
			if v.ID != "fc08-04-force-listen-only" {
				t.Errorf("%s: no response", v.ID)
			}
			continue
		}
		pdu := unhex(t, v.Response.PDU)
		a, err := ParseResponse(pdu)
		if v.Kind == "published-as-printed" {
			if !errors.Is(err, ErrMalformed) || !reflect.DeepEqual(a, Response{}) {
				t.Errorf("%s: %+v, %v, want malformed", v.ID, a, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: % X: %v", v.ID, pdu, err)
			continue
		}
		if uint8(a.Exception) != v.ExceptionCode {
			t.Errorf("%s: exception %02X, want %02X", v.ID, uint8(a.Exception), v.ExceptionCode)
		}
		if back, err := a.Append([]byte("x")); err != nil || string(back) != "x"+string(pdu) {
			t.Errorf("%s: back % X, %v, want % X", v.ID, back, err, pdu)
		}
		if requestRefused(v) {
			continue
		}
		q, err := ParseRequest(unhex(t, v.Request.PDU))
		if err != nil {
			t.Fatal(err)
		}
		if m, err := Match(q, pdu); err != nil || !reflect.DeepEqual(m, a) {
			t.Errorf("%s: match %+v, %v", v.ID, m, err)
		}
		if n, exact := AnswerLength(q); a.Exception == 0 && (exact && n != len(pdu) || n < len(pdu)) {
			t.Errorf("%s: answer length %d, %v, want %d", v.ID, n, exact, len(pdu))
		}
	}
}

// Every frame in all three framings, both ways, with its check.
func TestVectorADUs(t *testing.T) {
	for _, v := range loadVectors(t).all() {
		for _, f := range []*vectorFrame{v.Request, v.Response} {
			if f == nil {
				continue
			}
			pdu := unhex(t, f.PDU)
			for framing, raw := range f.forms(t) {
				want := vectorADU(framing, pdu)
				if got, err := ParseADU(framing, raw); err != nil || !reflect.DeepEqual(got, want) {
					t.Errorf("%s: %v: %+v, %v, want %+v", v.ID, framing, got, err, want)
				}
				back, err := AppendADU([]byte("x"), want)
				if err != nil || string(back) != "x"+string(raw) {
					t.Errorf("%s: %v: back %q, %v", v.ID, framing, back, err)
				}
				if ADULength(framing, len(pdu)) != len(raw) {
					t.Errorf("%s: %v: length %d, want %d", v.ID, framing, ADULength(framing, len(pdu)), len(raw))
				}
			}
		}
	}
}

// Every proper prefix of every PDU is too short, and gives nothing.
func TestPrefixesAreShort(t *testing.T) {
	for _, s := range seedFrames(t) {
		if _, err := parseEither(s.pdu, s.answer); err != nil && !errors.Is(err, ErrShort) {
			continue // refused for its own fault; its prefixes may share it
		}
		for n := range s.pdu {
			got, err := parseEither(s.pdu[:n], s.answer)
			if !errors.Is(err, ErrShort) {
				t.Errorf("%s: % X: %v, want too short", s.id, s.pdu[:n], err)
			}
			if got != "" {
				t.Errorf("%s: % X: refused, yet %s", s.id, s.pdu[:n], got)
			}
		}
	}
}

// parseEither gives "" for a zero value.
func parseEither(pdu []byte, answer bool) (string, error) {
	if answer {
		a, err := ParseResponse(pdu)
		if reflect.DeepEqual(a, Response{}) {
			return "", err
		}
		return fmt.Sprintf("%+v", a), err
	}
	q, err := ParseRequest(pdu)
	if reflect.DeepEqual(q, Request{}) {
		return "", err
	}
	return fmt.Sprintf("%+v", q), err
}

// Every proper prefix of a whole frame is too short, and ErrMore of a stream.
func TestPrefixesOfADUs(t *testing.T) {
	for _, v := range loadVectors(t).Vectors {
		for framing, raw := range v.Request.forms(t) {
			for n := range raw {
				a, err := ParseADU(framing, raw[:n])
				short := errors.Is(err, ErrShort)
				if framing == line.RTU && n >= 4 {
					short = errors.Is(err, ErrChecksum)
				}
				if !short || !reflect.DeepEqual(a, ADU{}) {
					t.Errorf("%s: %v: %q: %+v, %v, want too short", v.ID, framing, raw[:n], a, err)
				}
				_, skip, used, err := Codec{Framing: framing}.Next(raw[:n])
				if err != ErrMore || skip != 0 || used != 0 {
					t.Errorf("%s: %v: stream % X: %d, %d, %v, want more", v.ID, framing, raw[:n], skip, used, err)
				}
			}
		}
	}
}

// Bytes after a complete PDU inside the length are refused.
func TestTailIsRefused(t *testing.T) {
	for _, s := range seedFrames(t) {
		if _, err := parseEither(s.pdu, s.answer); err != nil {
			continue
		}
		if strings.HasPrefix(s.id, "fc08-00") {
			continue // loop-back data may be longer
		}
		for n := 1; n <= 8; n++ {
			long := append(bytes.Clone(s.pdu), make([]byte, n)...)
			if _, err := parseEither(long, s.answer); !errors.Is(err, ErrLong) && !(strings.HasPrefix(s.id, "fc08") && errors.Is(err, ErrShort)) {
				t.Errorf("%s: % X: %v, want too long", s.id, long, err)
			}
		}
	}
}

func TestExceptionCodes(t *testing.T) {
	for _, c := range loadVectors(t).Exceptions.Codes {
		e := Exception(c.Code)
		if !e.Known() || e.Name() != strings.ToLower(c.Name) || e.Meaning() == "" {
			t.Errorf("%02X: %q, want %q", c.Code, e.Name(), c.Name)
		}
		if want := fmt.Sprintf("exception %02X, %s", c.Code, strings.ToLower(c.Name)); e.String() != want {
			t.Errorf("%q, want %q", e, want)
		}
	}
	// V1.1b3 7 has no rows for these.
	for _, e := range []Exception{0, 7, 9, 0x0C, 0x7F, 0xFF} {
		if e.Known() || e.Name() != "not in the standard's table" || e.Meaning() == "" {
			t.Errorf("%02X: %q", uint8(e), e.Name())
		}
	}
	if s := Exception(0x7F).String(); s != "exception 7F, not in the standard's table" {
		t.Error(s)
	}
}

func TestFunctionNames(t *testing.T) {
	for _, v := range loadVectors(t).Vectors {
		name, sub, has := strings.Cut(v.Function.Name, " / ")
		if f := Function(v.Function.Code); f.String() != name || !f.Known() {
			t.Errorf("%s: %q, want %q", v.ID, f, name)
		}
		if has && deviceID.name != sub {
			t.Errorf("%s: %q, want %q", v.ID, deviceID.name, sub)
		}
		if v.Function.SubFunction == "" {
			continue
		}
		s := SubFunction(number(t, v.Function.SubFunction))
		words := map[int64]string{}
		for _, f := range v.Request.Fields {
			if f.Name == "sub_function" {
				words[*f.Value] = f.Means
			}
		}
		if got := s.String(); !s.Known() || !strings.HasPrefix(words[int64(s)], got) {
			t.Errorf("%s: %q, want %q", v.ID, got, words[int64(s)])
		}
	}
	known := 0
	for c := range 256 {
		if Function(c).Known() {
			known++
		}
	}
	if known != 19 { // V1.1b3 5.1
		t.Errorf("%d functions known, 19 are public", known)
	}
	if s := Function(9).String(); s != "function 9 (0x09)" {
		t.Error(s)
	}
	if s := SubFunction(5); s.String() != "sub-function 5 (0x0005)" || s.Known() {
		t.Error(s)
	}
}
