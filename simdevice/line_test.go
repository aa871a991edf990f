package simdevice

import (
	"bytes"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// onLine runs a test with a station on a serial line.
func onLine(t *testing.T, f line.Framing, o Options, test func(*testing.T, *client, *Station)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), o)
		test(t, served(t, s, f), s)
	})
}

// The rows of the vectors about the serial link, each with its clause.
func TestLinkVectors(t *testing.T) {
	want := map[string]struct {
		answer string
		held   byte // register 1 afterwards
		count  Counts
	}{
		"rtu-broadcast-write": {"", 3, Counts{Requests: 1}},
		"rtu-bad-crc":         {"", 0, Counts{Damaged: 1}},
		"rtu-other-address":   {"", 0, Counts{Foreign: 1}},
		"ascii-restart":       {":110600010003E5\r\n", 3, Counts{Requests: 1}},
		"ascii-bad-lrc":       {"", 0, Counts{Damaged: 1}},
	}
	for _, v := range vectors(t).Serial.Link {
		w, ok := want[v.ID]
		if !ok {
			t.Errorf("%s: not expected", v.ID)
			continue
		}
		framing, in := line.ASCII, []byte(v.ASCII)
		if v.RTU != "" {
			framing, in = line.RTU, unhex(t, v.RTU)
		}
		onLine(t, framing, Options{}, func(t *testing.T, c *client, s *Station) {
			c.send(in...)
			time.Sleep(2 * time.Second)
			if got := c.heard(); string(got) != w.answer {
				t.Errorf("%s (%s): heard %q, want %q", v.ID, v.Clause, got, w.answer)
			}
			raw, _ := s.Bank(testUnit).AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 1, Count: 1})
			if raw[0] != uint16(w.held) || s.Counts() != w.count {
				t.Errorf("%s: register 1 holds %d, counts %+v; want %d, %+v", v.ID, raw[0], s.Counts(), w.held, w.count)
			}
			// The next exchange starts clean.
			good := request(framing)
			c.send(good...)
			if len(c.heard()) == 0 {
				t.Errorf("%s: the request behind it is not answered", v.ID)
			}
		})
	}
}

// A frame is whole by length and check: it is answered without waiting for a
// silence, and pauses of an adapter inside it do no harm.
func TestPausesInsideAFrame(t *testing.T) {
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		good := rtu(17, pdu(3, 0, 1)...)
		want := spaced(rtu(17, 3, 2, 0, 0))
		for cut := 1; cut < len(good); cut++ {
			c.send(good[:cut]...)
			time.Sleep(20 * time.Millisecond)
			c.wants("")
			c.send(good[cut:]...)
			c.wants(want)
		}
		if got := s.Counts(); got.Damaged != 0 {
			t.Errorf("%+v", got)
		}
	})
}

// What a silence cuts off is given up, and counted once.
func TestCutOffFrame(t *testing.T) {
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		good := rtu(17, pdu(3, 0, 1)...)
		for cut := 1; cut < len(good); cut++ {
			c.send(good[:cut]...)
			time.Sleep(DefaultSilence)
			c.wants("")
			if got := s.Counts().Damaged; got != uint64(cut) {
				t.Fatalf("after %d cuts %d damaged frames are counted", cut, got)
			}
			c.send(good...)
			c.wants(spaced(rtu(17, 3, 2, 0, 0)))
		}
	})
}

// Noise before, behind and inside frames: never a wrong answer, and after a
// silence the next exchange is clean.
func TestNoise(t *testing.T) {
	good := rtu(17, append(pdu(16, 0, 2), 4, 0, 1, 0, 2)...)
	want := spaced(rtu(17, pdu(16, 0, 2)...))
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		for bit := range 8 * len(good) {
			bad := slices.Clone(good)
			bad[bit/8] ^= 1 << (bit % 8)
			c.send(bad...)
			time.Sleep(DefaultSilence)
			if got := c.heard(); len(got) > 0 {
				t.Errorf("bit %d turned: answered % X", bit, got)
			}
			c.send(good...)
			c.wants(want)
		}
		for n := range 256 {
			for _, in := range [][]byte{append([]byte{byte(n)}, good...), append(slices.Clone(good), byte(n))} {
				c.send(in...)
				c.heard()
				time.Sleep(DefaultSilence)
				c.heard()
				c.send(good...)
				c.wants(want)
				time.Sleep(DefaultSilence)
			}
		}
	})
}

// Functions whose length cannot be told are ended by the silence, and answered
// 01. Source: serial guide V1.02, 2.5.1.1; V1.1b3 figure 9.
func TestUnknownFunctionOnRTU(t *testing.T) {
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		for f := range 128 {
			if s.Answer(nil, testUnit, []byte{byte(f)})[1] != 1 {
				continue
			}
			for _, n := range []int{0, 1, 5, 252} {
				in := rtu(17, append([]byte{byte(f)}, bytes.Repeat([]byte{0x55}, n)...)...)
				for len(in) > 0 { // as it comes from a port
					piece := min(60, len(in))
					c.send(in[:piece]...)
					time.Sleep(10 * time.Millisecond)
					in = in[piece:]
				}
				time.Sleep(DefaultSilence)
				got := c.heard()
				if want := rtu(17, byte(f)|0x80, 1); !bytes.Equal(got, want) {
					t.Errorf("function %d with %d bytes: % X, want % X", f, n, got, want)
				}
			}
		}
	})
}

// A4, A5, A11 on RTU: with a right check a request of a wrong length is a
// frame that a silence ends, and is answered 03 as on TCP. Source: V1.1b3
// figures 13, 22; serial guide V1.02, 2.5.1.1.
func TestWrongLengthsOnRTU(t *testing.T) {
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		n := uint64(0)
		for _, whole := range [][]byte{pdu(3, 0, 1), pdu(6, 0, 1), append(pdu(0x10, 0, 2), 4, 1, 1, 1, 1), {0x2B, 0x0E, 1, 0}} {
			for length := 1; length <= len(whole)+8; length++ {
				in := append(slices.Clone(whole), make([]byte, 8)...)[:length]
				c.send(rtu(17, in...)...)
				time.Sleep(DefaultSilence)
				got := c.heard()
				if length != len(whole) && !bytes.Equal(got, rtu(17, in[0]|0x80, 3)) {
					t.Errorf("% X: answered % X, want exception 03", in, got)
				}
				n++
			}
		}
		if got := s.Counts(); got.Damaged != 0 || got.Requests != n {
			t.Errorf("%d requests: %+v", n, got)
		}
	})
}

// Another station's exchange on the line: its answer is not searched for
// requests, not counted as damage, and the next request is heard at once.
func TestOtherStationsExchanges(t *testing.T) {
	// An answer of unit 18 that carries a whole request for unit 17 in its data.
	inner := rtu(17, pdu(6, 1, 9)...)
	carries := append([]byte{3, 8}, inner...)
	for name, row := range map[string]struct{ request, answer []byte }{
		"a request inside":  {rtu(18, pdu(3, 0, 4)...), rtu(18, carries...)},
		"an exception":      {rtu(18, pdu(3, 0, 4)...), rtu(18, 0x83, 2)},
		"an echo":           {rtu(18, pdu(6, 0, 4)...), rtu(18, pdu(6, 0, 4)...)},
		"a short answer":    {rtu(18, pdu(3, 0, 1)...), rtu(18, 3, 2, 0, 7)},
		"a long answer":     {rtu(18, pdu(3, 0, 125)...), rtu(18, append([]byte{3, 250}, bytes.Repeat([]byte{17, 6, 0}, 84)[:250]...)...)},
		"identification":    {rtu(18, 0x2B, 0x0E, 4, 0), rtu(18, 0x2B, 0x0E, 4, 0x82, 0, 0, 1, 0, 1, 'x')},
		"no answer":         {rtu(18, pdu(3, 0, 4)...), nil},
		"to all, no answer": {rtu(0, pdu(6, 2, 4)...), nil},
	} {
		for _, piece := range []int{1, 7, 300} {
			onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
				for range 3 {
					c.send(row.request...)
					for rest := row.answer; len(rest) > 0; {
						n := min(piece, len(rest))
						c.send(rest[:n]...)
						rest = rest[n:]
					}
					c.wants("")
					c.send(rtu(17, pdu(3, 1, 1)...)...)
					c.wants(spaced(rtu(17, 3, 2, 0, 0)))
				}
				want := Counts{Foreign: 3, Requests: 3}
				if row.request[0] == 0 {
					want = Counts{Requests: 6}
				}
				if got := s.Counts(); got != want {
					t.Errorf("%s in pieces of %d: %+v", name, piece, got)
				}
			})
		}
	}
}

// What begins in the middle of noise is not between two silences: a function
// without a known length is not heard there.
func TestNoFrameOutOfNoise(t *testing.T) {
	const unit = 200 // no function code, so that nothing seems to begin in front of it
	synctest.Test(t, func(t *testing.T) {
		s, err := New(map[regmap.Unit]*Bank{unit: bankOf(t, hundred(""))}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		c := served(t, s, line.RTU)
		strange := rtu(unit, 0x41, 0)
		c.send(append(bytes.Repeat([]byte{0xFF}, 300), strange[0])...)
		c.send(strange[1:]...)
		time.Sleep(DefaultSilence)
		c.wants("")
		if got := s.Counts(); got != (Counts{Damaged: 1}) {
			t.Errorf("%+v", got)
		}
		c.send(strange...)
		time.Sleep(DefaultSilence)
		c.wants(spaced(rtu(unit, 0xC1, 1)))
	})
}

// A damaged answer of another station is damage, and no more.
func TestOtherStationsDamage(t *testing.T) {
	onLine(t, line.RTU, Options{}, func(t *testing.T, c *client, s *Station) {
		bad := rtu(18, append([]byte{3, 8}, rtu(17, pdu(6, 1, 9)...)...)...)
		bad[len(bad)-1] ^= 1
		c.send(rtu(18, pdu(3, 0, 4)...)...)
		c.send(bad[:7]...)
		time.Sleep(DefaultSilence)
		c.send(rtu(17, pdu(3, 1, 1)...)...)
		c.wants(spaced(rtu(17, 3, 2, 0, 0)))
		if got := s.Counts(); got.Damaged != 1 {
			t.Errorf("%+v", got)
		}
	})
}

// Endless noise costs bounded memory and is one fault; after it the line is
// heard again.
func TestEndlessNoise(t *testing.T) {
	for _, f := range []line.Framing{line.RTU, line.ASCII} {
		for _, b := range []byte{0x00, 0xFF, 0x11, 0x41, ':', '0'} {
			onLine(t, f, Options{}, func(t *testing.T, c *client, s *Station) {
				for range 200 {
					c.send(bytes.Repeat([]byte{b}, 37)...)
					time.Sleep(time.Millisecond)
				}
				time.Sleep(2 * time.Second)
				if got := c.heard(); len(got) > 0 {
					t.Errorf("%v, noise %02X: answered % X", f, b, got)
				}
				c.send(request(f)...)
				if got := c.heard(); len(got) == 0 {
					t.Errorf("%v: no answer after the noise %02X; %+v", f, b, s.Counts())
				}
			})
		}
	}
}

// ASCII: gaps up to a second inside a frame, restart by a colon, and what is
// no frame. Source: serial guide V1.02, 2.5.2, 2.5.2.1.
func TestASCII(t *testing.T) {
	good, want := ":11030000000"+"1EB\r\n", ":1103020000EA\r\n"
	for _, row := range []struct {
		name, in string
		gap      time.Duration
		heard    string
		damaged  uint64
	}{
		{"whole", good, 0, want, 0}, {"gaps under a second", good, 990 * time.Millisecond, want, 0},
		{"a gap above", good, 1100 * time.Millisecond, "", 1},
		{"noise in front", "xyz" + good, 0, want, 0}, {"a colon inside", ":1103" + good, 0, want, 0},
		{"lower case", ":1103000000" + "01eb\r\n", 0, "", 1}, {"odd digits", ":110300000001E\r\n", 0, "", 1},
		{"without LF", good[:len(good)-1], 0, "", 1}, {"too long", ":" + string(bytes.Repeat([]byte("1"), 520)) + "\r\n", 0, "", 1},
		{"another unit", ":120300000001EA\r\n", 0, "", 0}, {"broadcast", ":000600010003F6\r\n", 0, "", 0},
	} {
		onLine(t, line.ASCII, Options{}, func(t *testing.T, c *client, s *Station) {
			middle := min(6, len(row.in))
			c.send([]byte(row.in[:middle])...)
			time.Sleep(row.gap)
			c.send([]byte(row.in[middle:])...)
			time.Sleep(2 * time.Second)
			if got := string(c.heard()); got != row.heard || s.Counts().Damaged != row.damaged {
				t.Errorf("%s: heard %q, %d damaged; want %q, %d", row.name, got, s.Counts().Damaged, row.heard, row.damaged)
			}
			c.send([]byte(good)...)
			if got := string(c.heard()); got != want {
				t.Errorf("after %s: heard %q, want %q", row.name, got, want)
			}
		})
	}
}

// The answer keeps the silence that the line needs. Source: serial guide
// V1.02, 2.5.1.1.
func TestGapBeforeTheAnswer(t *testing.T) {
	gap := frame.Gap35(line.DefaultSerial("")) // 2.005 ms at 19200 bit/s
	onLine(t, line.RTU, Options{Gap: gap}, func(t *testing.T, c *client, _ *Station) {
		c.send(rtu(17, pdu(3, 0, 1)...)...)
		time.Sleep(gap - 1)
		c.wants("")
		time.Sleep(time.Nanosecond)
		c.wants(spaced(rtu(17, 3, 2, 0, 0)))
		c.send(rtu(18, pdu(3, 0, 1)...)...)
		time.Sleep(time.Second)
		c.wants("")
	})
}

// A20, A21 on the line: each unit answers for itself, all obey a broadcast.
func TestUnitsOnALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(map[regmap.Unit]*Bank{17: bankOf(t, hundred("")), 18: bankOf(t, hundred(""))}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		c := served(t, s, line.RTU)
		c.send(rtu(0, pdu(6, 5, 77)...)...)
		c.send(rtu(0, pdu(3, 5, 1)...)...)
		c.send(rtu(0, pdu(8, 0, 1)...)...)
		c.send(rtu(18, pdu(6, 6, 88)...)...)
		c.wants(spaced(rtu(18, pdu(6, 6, 88)...)))
		for u := range 256 {
			c.send(rtu(regmap.Unit(u), pdu(3, 5, 2)...)...)
			want := ""
			switch u {
			case 17:
				want = spaced(rtu(17, 3, 4, 0, 77, 0, 0))
			case 18:
				want = spaced(rtu(18, 3, 4, 0, 77, 0, 88))
			}
			if got := spaced(c.heard()); got != want {
				t.Errorf("unit %d: %q, want %q", u, got, want)
			}
			time.Sleep(DefaultSilence)
		}
	})
}
