package simdevice

import (
	"bytes"
	"context"
	"math/rand/v2"
	"net"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A1, A2: a length field that no frame has ends the connection as soon as it
// is there. Source: TCP guide V1.0b, 3.1.3; V1.1b3 4.1.
func TestA1A2LengthField(t *testing.T) {
	for _, n := range []uint16{0, 1, 255, 256, 1000, 32768, 65535} {
		synctest.Test(t, func(t *testing.T) {
			s := stationOf(t, hundred(""), Options{})
			c := served(t, s, line.MBAP)
			c.send(mbap(1, pdu(3, 0, 1)...)...)
			if len(c.heard()) == 0 {
				t.Error("no answer before the fault")
			}
			c.send(0, 2, 0, 0, byte(n>>8), byte(n))
			c.wants("")
			c.wantsEnd(frame.ErrLength)
			if got := s.Counts().Broken; got != 1 {
				t.Errorf("length %d: %d broken connections were counted", n, got)
			}
		})
	}
}

// A3: a frame must be whole within its time, however its bytes come; between
// frames there is no time limit.
func TestA3FrameTime(t *testing.T) {
	whole := mbap(1, pdu(3, 0, 1)...)
	for _, row := range []struct {
		name  string
		every time.Duration
		bytes int // that come
		ended bool
	}{
		{"stalled after the first byte", 0, 1, true}, {"stalled before the last", 0, len(whole) - 1, true},
		{"one byte a second", time.Second, 12, true}, {"one byte in 400 ms", 400 * time.Millisecond, 12, false},
	} {
		synctest.Test(t, func(t *testing.T) {
			s := stationOf(t, hundred(""), Options{})
			c := served(t, s, line.MBAP)
			time.Sleep(time.Hour) // an idle connection stays
			c.send(whole...)
			c.heard()
			time.Sleep(time.Hour)
			began := time.Now()
			for _, b := range whole[:row.bytes] {
				if c.ended() {
					break
				}
				c.send(b)
				time.Sleep(row.every)
			}
			if !row.ended {
				if len(c.heard()) == 0 || c.ended() {
					t.Errorf("%s: no answer", row.name)
				}
				return
			}
			if row.every == 0 {
				time.Sleep(DefaultFrameTime - 1)
				if c.ended() {
					t.Errorf("%s: closed before its time", row.name)
				}
				time.Sleep(time.Nanosecond)
			}
			c.wantsEnd(ErrHalfFrame)
			if took := time.Since(began); took < DefaultFrameTime || took > DefaultFrameTime+time.Second {
				t.Errorf("%s: closed after %v", row.name, took)
			}
		})
	}
}

// The time of a frame begins anew with each frame, also where the rest of one
// segment begins it.
func TestFrameTimeOfTheNextFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := served(t, stationOf(t, hundred(""), Options{FrameTime: time.Second}), line.MBAP)
		whole := mbap(1, pdu(3, 0, 1)...)
		for range 5 {
			c.send(whole[:3]...)
			time.Sleep(900 * time.Millisecond)
			c.send(append(slices.Clone(whole[3:]), whole[:3]...)...)
			time.Sleep(900 * time.Millisecond)
			c.send(whole[3:]...)
		}
		if got := len(c.heard()); got != 10*11 {
			t.Errorf("%d bytes came, want ten answers of 11", got)
		}
	})
}

// A6: a frame of another protocol is dropped without an answer; eight in a row
// end the connection. Source: TCP guide V1.0b, 4.4.2.2.
func TestA6ProtocolIdentifier(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{})
		c := served(t, s, line.MBAP)
		strange := unhex(t, "00 01 00 01 00 06 11 03 00 6B 00 03") // tcp-protocol-not-zero of the vectors
		good := mbap(9, pdu(3, 0, 1)...)
		for range 3 {
			for range 7 {
				c.send(strange...)
			}
			c.wants("")
			c.send(good...)
			c.wants("00 09 00 00 00 05 11 03 02 00 00")
		}
		for range 8 {
			c.send(strange...)
		}
		c.wants("")
		c.wantsEnd(ErrStrange)
		if got := s.Counts(); got.Damaged != 29 || got.Broken != 1 {
			t.Errorf("%+v", got)
		}
	})
}

// A7: frames are found by their length however the bytes are cut, and answered
// in order. Source: TCP guide V1.0b, 3.1.2, 4.2.1.1.
func TestA7AnyCut(t *testing.T) {
	two := unhex(t, vectors(t).TCP.Two.Bytes) // two_adus_in_one_segment
	var want []byte
	var in []byte
	for n := range uint16(50) {
		in = append(in, mbap(n, pdu(3, int(n), 3)...)...)
		want = append(want, mbap(n, 3, 6, 0, 0, 0, 0, 0, 0)...)
	}
	in, want = append(in, two...), append(want, mbap(1, 0x83, 2)...)
	want = append(want, mbap(2, 4, 2, 0, 0)...)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, cut := range []func() int{
		func() int { return len(in) }, func() int { return 1 }, func() int { return 13 }, func() int { return 1 + rng.IntN(40) },
	} {
		synctest.Test(t, func(t *testing.T) {
			c := served(t, stationOf(t, hundred(""), Options{}), line.MBAP)
			for rest := in; len(rest) > 0; {
				n := min(cut(), len(rest))
				c.send(rest[:n]...)
				rest = rest[n:]
			}
			if got := c.heard(); !bytes.Equal(got, want) {
				t.Errorf("heard % X,\nwant % X", got, want)
			}
		})
	}
}

// A8: of 64 requests at a time 16 are answered, the rest with 06, none is
// lost, and the next is answered again. Source: TCP guide V1.0b, 4.4.2.2.
func TestA8Transactions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{Hooks: Hooks{
			Deliver: func(ctx context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error {
				wait(ctx, 100*time.Millisecond)
				return send(adu)
			},
		}})
		c := served(t, s, line.MBAP)
		var in []byte
		for n := range uint16(64) {
			in = append(in, mbap(n, pdu(3, 0, 1)...)...)
		}
		c.send(in...)
		answers := map[uint16]int{}
		gather := func() {
			for b := c.heard(); len(b) > 0; {
				adu, _, used, err := frame.Codec{Framing: line.MBAP}.Next(b)
				if err != nil {
					t.Fatal(err)
				}
				if _, twice := answers[adu.Transaction]; twice {
					t.Errorf("transaction %d was answered twice", adu.Transaction)
				}
				answers[adu.Transaction] = code(adu.PDU)
				b = b[used:]
			}
		}
		gather()
		if len(answers) != 48 {
			t.Errorf("%d requests were refused at once, want 48", len(answers))
		}
		time.Sleep(100 * time.Millisecond)
		gather()
		for n := range uint16(64) {
			want := 0
			if n >= MaxTransactions {
				want = 6
			}
			if got, ok := answers[n]; !ok || got != want {
				t.Errorf("transaction %d: exception %d (there: %v), want %d", n, got, ok, want)
			}
		}
		c.send(mbap(99, pdu(3, 0, 1)...)...)
		time.Sleep(100 * time.Millisecond)
		c.wants("00 63 00 00 00 05 11 03 02 00 00")
		if got := s.Counts(); got.Busy != 48 || got.Exceptions != 0 {
			t.Errorf("%+v", got)
		}
		// Silence where nothing could be refused.
		c.send(in[:16*12]...)
		c.send(mbap(5, 0x83, 2)...)
		time.Sleep(100 * time.Millisecond)
		if got := len(c.heard()); got != 16*11 {
			t.Errorf("%d bytes, want 16 answers", got)
		}
	})
}

// Without a hook a pipeline of any length is answered in order; nothing is
// refused, because each answer leaves before the next request is looked at.
func TestPipeline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := served(t, stationOf(t, hundred(""), Options{}), line.MBAP)
		var in, want []byte
		for n := range uint16(200) {
			in, want = append(in, mbap(n, pdu(3, 0, 1)...)...), append(want, mbap(n, 3, 2, 0, 0)...)
		}
		c.send(in...)
		if got := c.heard(); !bytes.Equal(got, want) {
			t.Errorf("%d bytes came, want %d", len(got), len(want))
		}
	})
}

// D5: a client that takes no answers is closed after the write time; no more
// than one answer ever waits for it.
func TestD5ClientThatNeverReads(t *testing.T) {
	for _, hook := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			o := Options{WriteTime: 3 * time.Second}
			if hook {
				o.Hooks.Deliver = func(_ context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error { return send(adu) }
			}
			s := stationOf(t, hundred(""), o)
			ours, theirs := net.Pipe()
			c := newClient(t, ours, true)
			defer ours.Close()
			go func() { c.done <- s.ServeStream(t.Context(), theirs, line.MBAP) }()
			c.send(mbap(1, pdu(3, 0, 1)...)...)
			time.Sleep(3*time.Second - 1)
			synctest.Wait()
			if len(c.done) != 0 {
				t.Error("closed before its time")
			}
			time.Sleep(time.Nanosecond)
			c.wantsEnd(ErrNotTaken)
			if got := s.Counts().Broken; got != 1 {
				t.Errorf("%d broken connections were counted", got)
			}
		})
	}
}

// Unit numbers on TCP: the station alone answers 0 and 255 under the number
// asked for; others are silence. Source: TCP guide V1.0b, 4.4.1.2, 4.4.2.5.
func TestUnitsOnTCP(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := served(t, stationOf(t, hundred(""), Options{}), line.MBAP)
		for _, row := range []struct{ in, want string }{
			{"00 01 00 00 00 06 FF 03 00 04 00 01", "00 01 00 00 00 05 FF 03 02 00 00"},
			{"00 02 00 00 00 06 00 06 00 04 00 07", "00 02 00 00 00 06 00 06 00 04 00 07"}, // no broadcast here
			{"00 03 00 00 00 06 12 03 00 04 00 01", ""},
			{"00 04 00 00 00 06 11 03 00 04 00 01", "00 04 00 00 00 05 11 03 02 00 07"},
			{"15 01 00 00 00 06 FF 03 00 04 00 01", "15 01 00 00 00 05 FF 03 02 00 07"}, // tcp-read-register-5 of the vectors
		} {
			c.hex(row.in)
			c.wants(row.want)
		}
	})
}

// A connection needs no more than 600 bytes of buffers.
func TestBuffers(t *testing.T) {
	for f, most := range map[line.Framing]int{line.MBAP: 600, line.RTU: 900} {
		c := newConn(nil, nil, f, true)
		if got := cap(c.in) + cap(c.out); got > most {
			t.Errorf("%v: %d bytes", f, got)
		}
		if cap(c.in) > 600 {
			t.Errorf("%v: %d bytes of an incomplete frame are kept", f, cap(c.in))
		}
	}
}
