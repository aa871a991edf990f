package simdevice

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"slices"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// seedPDUs are the requests of the vectors with every proper prefix.
func seedPDUs(t testing.TB) (seeds [][]byte) {
	f := vectors(t)
	for _, v := range append(f.Vectors, f.Exceptions.Vectors...) {
		b := unhex(t, v.Request.PDU)
		for n := range len(b) + 1 {
			seeds = append(seeds, b[:n])
		}
	}
	return append(seeds, []byte{6, 0, 32, 0x7F, 0xFF}, append(pdu(0x10, 32, 4), 8, 0x0B, 0xB8, 0x0B, 0xB8, 0x0B, 0xB8, 0x0B, 0xB8))
}

// FuzzServer gives any PDU to a station: the answer is a whole PDU of the
// function or its exception, and outside the written span nothing changes; a
// refusal changes nothing at all.
func FuzzServer(f *testing.F) {
	for _, b := range seedPDUs(f) {
		f.Add(b, byte(17))
		f.Add(b, byte(0))
	}
	s := stationOf(f, cistern, Options{})
	b := s.Bank(testUnit)
	f.Fuzz(func(t *testing.T, in []byte, unit byte) {
		request := slices.Clone(in)
		before := b.Snapshot()
		out := s.Answer([]byte{0xAA}, regmap.Unit(unit), in)
		after := b.Snapshot()
		if !bytes.Equal(in, request) {
			t.Fatal("the request was changed")
		}
		if out[0] != 0xAA || len(out)-1 > frame.MaxPDU {
			t.Fatalf("%d bytes of answer behind %02X", len(out)-1, out[0])
		}
		refused := judgeAnswer(t, regmap.Unit(unit), in, out[1:])
		written, writes := regmap.Span{}, false
		if q, err := frame.ParseRequest(in); err == nil && !refused {
			written, writes = q.Writes()
		}
		onlyChanged(t, b, before, after, func(one regmap.Span) bool { return writes && written.Overlaps(one) })
		if level := b.Map().Point("lead-start").Value(b); level.Rat().Sign() != 0 {
			if v, _ := level.Float(); v < 0.5 || v > 2.5 {
				t.Fatalf("% X: lead-start holds %v, beyond its limits", in, v)
			}
		}
	})
}

// judgeAnswer says whether an answer refuses; anything but silence where
// nothing may be said, a good answer or an exception ends the test.
func judgeAnswer(t *testing.T, unit regmap.Unit, in, out []byte) (refused bool) {
	t.Helper()
	switch {
	case len(out) == 0:
		if unit == testUnit && len(in) > 0 && in[0] < 0x80 {
			t.Fatalf("% X: no answer", in)
		}
		return unit != regmap.Broadcast
	case unit != testUnit:
		t.Fatalf("unit %d answered", unit)
	case out[0] == in[0]|0x80:
		if len(out) != 2 || out[1] < 1 || out[1] > 4 {
			t.Fatalf("% X: exception % X", in, out)
		}
		return true
	case out[0] != in[0]:
		t.Fatalf("% X: answered by another function: % X", in, out)
	}
	q, err := frame.ParseRequest(in)
	if err != nil {
		t.Fatalf("% X: not a request (%v), yet answered % X", in, err, out)
	}
	if _, err := frame.Match(q, out); err != nil {
		t.Fatalf("% X: answer % X: %v", in, out, err)
	}
	return false
}

// onlyChanged ends the test when anything changed that may not.
func onlyChanged(t *testing.T, b *Bank, before, after *Snapshot, may func(regmap.Span) bool) {
	t.Helper()
	for _, table := range regmap.Tables {
		for i, was := range before.tables[table].cells {
			if is := after.tables[table].cells[i]; was != is {
				for _, span := range b.tables[table].spans {
					for a := int(span.First); a < span.End(); a++ {
						one := regmap.Span{Table: table, First: regmap.Address(a), Count: 1}
						if b.tables[table].cell(a) == i && !may(one) {
							t.Fatalf("%v changed from %04X to %04X", one, was, is)
						}
					}
				}
			}
		}
	}
}

// pieces is a stream that gives its bytes in the pieces that cut says, then a
// silence, then one request, then the end.
type pieces struct {
	in, cut []byte
	behind  []byte // comes after the silence
	silence bool
	out     bytes.Buffer
	late    int // where the answers to what came behind begin
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, errors.New("asked for no bytes: the buffer is full")
	}
	if len(p.in) == 0 {
		switch {
		case !p.silence:
			p.silence = true
			return 0, os.ErrDeadlineExceeded
		case p.behind == nil:
			return 0, io.EOF
		}
		p.in, p.behind, p.cut, p.late = p.behind, nil, nil, p.out.Len()
	}
	n := len(p.in)
	if len(p.cut) > 0 {
		n = 1 + int(p.cut[0])%n
		p.cut = p.cut[1:]
	}
	n = copy(b, p.in[:min(n, len(p.in))])
	p.in = p.in[n:]
	return n, nil
}
func (p *pieces) Write(b []byte) (int, error)      { return p.out.Write(b) }
func (p *pieces) Close() error                     { return nil }
func (p *pieces) SetReadDeadline(time.Time) error  { return nil }
func (p *pieces) SetWriteDeadline(time.Time) error { return nil }

// FuzzStream gives any bytes to a serving station: whatever comes, serving
// ends by itself, what is sent are whole frames, on MBAP the cuts make no
// difference, and on a line the first exchange behind a silence is clean.
func FuzzStream(f *testing.F) {
	v := vectors(f)
	for _, row := range v.Vectors {
		f.Add(unhex(f, row.Request.RTU), []byte{3, 1, 200}, byte(1))
		f.Add(unhex(f, row.Request.TCP), []byte{3, 1, 200}, byte(0))
		f.Add([]byte(row.Request.ASCII), []byte{3, 1, 200}, byte(2))
		f.Add(unhex(f, "11"+row.Request.PDU), []byte{3, 1, 200}, byte(0x80))
		f.Add(append(unhex(f, row.Response.RTU), unhex(f, row.Request.RTU)...), []byte{}, byte(1))
		f.Add(append(rtu(18, unhex(f, row.Request.PDU)...), rtu(18, unhex(f, row.Response.PDU+"00")...)...), []byte{9}, byte(1))
	}
	f.Add(bytes.Repeat([]byte(":11"), 400), []byte{}, byte(2))
	device := mapOf(f, cistern)
	f.Fuzz(func(t *testing.T, in, cut []byte, framing byte) {
		fr := []line.Framing{line.MBAP, line.RTU, line.ASCII}[framing%3]
		if len(in) > 1 && framing&0x80 != 0 { // a right check, or all the rest would hide behind it
			if adu, err := frame.AppendADU(nil, frame.ADU{Framing: fr, Unit: regmap.Unit(in[0]), PDU: in[1:]}); err == nil {
				in = adu
			}
		}
		serve := func(cut []byte) (*pieces, error) {
			p := &pieces{in: slices.Clone(in), cut: slices.Clone(cut), behind: request(fr)}
			bank, err := NewBank(device)
			if err != nil {
				t.Fatal(err)
			}
			s, err := New(map[regmap.Unit]*Bank{testUnit: bank}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			return p, s.ServeStream(context.Background(), p, fr)
		}
		p, err := serve(cut)
		if fr == line.MBAP {
			if err != nil && !errors.Is(err, ErrHalfFrame) && !errors.Is(err, ErrStrange) && !errors.Is(err, frame.ErrLength) {
				t.Fatal(err)
			}
			whole, _ := serve(nil)
			if !bytes.Equal(p.out.Bytes(), whole.out.Bytes()) {
				t.Fatalf("in pieces % X,\nwhole % X", p.out.Bytes(), whole.out.Bytes())
			}
		} else {
			if err != nil {
				t.Fatal(err)
			}
			if want := mustAnswer(fr); !bytes.Equal(p.out.Bytes()[p.late:], want) {
				t.Fatalf("behind the silence % X, want % X", p.out.Bytes()[p.late:], want)
			}
		}
		wholeFrames(t, fr, p.out.Bytes())
	})
}

// wholeFrames ends the test when what was sent is anything but whole answers.
func wholeFrames(t *testing.T, fr line.Framing, sent []byte) {
	t.Helper()
	for rest := sent; len(rest) > 0; {
		n := frameLength(fr, rest)
		adu, err := frame.ParseADU(fr, rest[:n])
		if err != nil {
			t.Fatalf("% X was sent: %v", rest, err)
		}
		if _, err := frame.ParseResponse(adu.PDU); err != nil && adu.PDU[0] != 0x80 { // 80: of function 0
			t.Fatalf("% X was sent: %v", adu.PDU, err)
		}
		rest = rest[n:]
	}
}

func mustAnswer(f line.Framing) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: testUnit, PDU: []byte{0x83, 2}})
	if err != nil {
		panic(err)
	}
	return b
}

// frameLength finds the end of the first sent frame; what the station sends
// has implied lengths.
func frameLength(f line.Framing, b []byte) int {
	switch f {
	case line.MBAP:
		return min(len(b), 6+int(b[4])<<8+int(b[5]))
	case line.ASCII:
		return bytes.IndexByte(b, '\n') + 1
	}
	for n := 5; n <= len(b) && n <= frame.MaxRTU; n++ {
		if adu, err := frame.ParseADU(line.RTU, b[:n]); err == nil {
			if _, err := frame.ParseResponse(adu.PDU); err == nil || adu.PDU[0] == 0x80 {
				return n
			}
		}
	}
	return len(b)
}
