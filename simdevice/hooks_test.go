package simdevice

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The bank hook shows requests other contents; the bank itself stays true.
func TestBankHook(t *testing.T) {
	type item struct {
		unit  regmap.Unit
		table regmap.Table
		at    regmap.Address
	}
	seen := map[item]uint16{}
	s := stationOf(t, driven, Options{Hooks: Hooks{
		Bank: func(u regmap.Unit, s regmap.Span, raw []uint16, now regmap.Contents) {
			if again, ok := now.AppendRaw(nil, s); !ok || !slices.Equal(again, raw) {
				t.Errorf("%v holds %v, and the hook was given %v", s, again, raw)
			}
			for i := range raw {
				seen[item{u, s.Table, s.First + regmap.Address(i)}] = raw[i]
				if s.Table == regmap.Coil {
					raw[i] ^= 1
				} else {
					raw[i]++
				}
			}
		},
	}})
	wants(t, s, "04 00 00 00 04", "04 08 04 B1 00 01 40 81 00 01")
	wants(t, s, "01 00 00 00 02", "01 01 02")
	wants(t, s, "17 00 10 00 01 00 10 00 01 02 00 07", "17 02 00 08")
	if seen[item{17, regmap.InputRegister, 0}] != 1200 || seen[item{17, regmap.Coil, 0}] != 1 || seen[item{17, regmap.HoldingRegister, 16}] != 7 {
		t.Errorf("the hook was shown %v", seen)
	}
	shows(t, s.Bank(testUnit), "level", number(t, "1.2"))
	// A mask works on the true contents.
	wants(t, s, "16 00 10 FF F0 00 00", "16 00 10 FF F0 00 00")
	shows(t, s.Bank(testUnit), "state", regmap.UintValue(0))
	wants(t, stationOf(t, cistern, Options{}), "04 00 00 00 01", "04 02 00 00")
}

// The answer hook may answer itself, ask the unit, or be silent; what it does
// not pass on is not done.
func TestAnswerHook(t *testing.T) {
	s := stationOf(t, hundred(""), Options{TCP: true, Hooks: Hooks{
		Answer: func(dst []byte, u regmap.Unit, pdu []byte, next Answerer) []byte {
			switch {
			case u != testUnit:
				t.Errorf("the hook was given unit %d", u)
			case pdu[0] == 6:
				return append(dst, 0x86, 6)
			case pdu[0] == 5:
				return dst
			case pdu[0] == 4:
				dst = next(dst, 18, pdu)                // a unit that is not here
				dst = next(dst, testUnit, nil)          // nothing
				return next(dst, testUnit, []byte{128}) // nothing that could be answered
			}
			return next(dst, u, pdu)
		},
	}})
	wants(t, s, "06 00 01 00 07", "86 06")
	wants(t, s, "05 00 01 FF 00", "")
	wants(t, s, "04 00 01 00 01", "")
	wants(t, s, "03 00 01 00 01", "03 02 00 00")
	if got := ask(t, s, 255, "06 00 01 00 07"); got != "86 06" { // the unit itself is named, not 255
		t.Errorf("unit 255: %q", got)
	}
	if got := s.Counts(); got.Requests != 5 || got.Exceptions != 2 {
		t.Errorf("%+v", got)
	}
}

// Deliveries of several pieces are not mixed with each other.
func TestDeliverHookKeepsPiecesTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{Hooks: Hooks{
			Deliver: func(ctx context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error {
				for _, b := range adu {
					if err := send([]byte{b}); err != nil {
						return err
					}
					wait(ctx, time.Millisecond)
				}
				return nil
			},
		}})
		c := served(t, s, line.MBAP)
		var in []byte
		for n := range uint16(20) { // 16 of them open, 4 refused: the refusals wait for their turn too
			in = append(in, mbap(n, pdu(3, int(n), 1)...)...)
		}
		if _, err := c.conn.Write(in); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		var answers []int
		for b := c.heard(); len(b) > 0; {
			adu, _, used, err := frame.Codec{Framing: line.MBAP}.Next(b)
			if err != nil {
				t.Fatalf("% X: %v", b, err)
			}
			answers = append(answers, code(adu.PDU))
			b = b[used:]
		}
		busy := 0
		for _, e := range answers {
			if e == 6 {
				busy++
			}
		}
		if len(answers) != 20 || busy == 0 || busy > 4 {
			t.Errorf("answers %v", answers)
		}
	})
}

var errHook = errors.New("made on purpose")

// An error of the delivery ends the connection, on each framing.
func TestDeliverHookEnds(t *testing.T) {
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		synctest.Test(t, func(t *testing.T) {
			s := stationOf(t, hundred(""), Options{Hooks: Hooks{
				Deliver: func(context.Context, regmap.Unit, []byte, func([]byte) error) error { return errHook },
			}})
			c := served(t, s, f)
			c.send(request(f)...)
			c.wantsEnd(errHook)
			if got := s.Counts().Broken; got != 0 {
				t.Errorf("%v: the client is blamed for it", f)
			}
		})
	}
}

// An answer that no frame can hold ends the connection instead of being cut.
func TestAnswerHookTooLong(t *testing.T) {
	for _, deliver := range []bool{false, true} {
		for _, f := range []line.Framing{line.MBAP, line.RTU} {
			synctest.Test(t, func(t *testing.T) {
				o := Options{Hooks: Hooks{Answer: func(dst []byte, _ regmap.Unit, _ []byte, _ Answerer) []byte {
					return append(dst, make([]byte, 254)...)
				}}}
				if deliver {
					o.Hooks.Deliver = func(_ context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error { return send(adu) }
				}
				c := served(t, stationOf(t, hundred(""), o), f)
				c.send(request(f)...)
				c.wants("")
				c.wantsEnd(frame.ErrLong)
			})
		}
	}
}

// watched gathers what the observer is told.
type watched struct {
	mu  sync.Mutex
	all []*decode.Exchange
}

func (w *watched) see(x *decode.Exchange) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.all = append(w.all, x)
}

// told is one request of TestObserve and what the observer must be told of it.
type told struct {
	name           string
	sent, received []byte
	unit           regmap.Unit
	function       frame.Function
	cause          regmap.Cause
}

func tellings(t *testing.T, f line.Framing) []told {
	adu := func(u regmap.Unit, pdu ...byte) []byte {
		b, err := frame.AppendADU(nil, frame.ADU{Framing: f, Transaction: 7, Unit: u, PDU: pdu})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	rows := []told{
		{"read", adu(17, pdu(3, 5, 2)...), adu(17, 3, 4, 0, 0, 0, 0), 17, 3, regmap.NoCause},
		{"write", adu(17, pdu(6, 5, 2)...), adu(17, pdu(6, 5, 2)...), 17, 6, regmap.NoCause},
		{"refused", adu(17, pdu(3, 200, 2)...), adu(17, 0x83, 2), 17, 3, regmap.Excepted},
		{"malformed", adu(17, pdu(3, 0, 0)...), adu(17, 0x83, 3), 17, 3, regmap.Excepted},
		{"another unit", adu(18, pdu(3, 0, 1)...), nil, 18, 3, regmap.Silent},
	}
	if f == line.MBAP {
		return append(rows, told{"the device itself", adu(255, pdu(3, 5, 1)...), adu(255, 3, 2, 0, 2), 17, 3, regmap.NoCause})
	}
	return append(rows, told{"broadcast", adu(0, pdu(6, 1, 1)...), nil, 0, 6, regmap.NoCause})
}

// Each request and what left as its answer, with both frames and their times.
func TestObserve(t *testing.T) {
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		synctest.Test(t, func(t *testing.T) {
			var w watched
			c := served(t, stationOf(t, hundred(""), Options{Observe: w.see, Gap: 2 * time.Millisecond}), f)
			time.Sleep(time.Minute)
			for i, row := range tellings(t, f) {
				c.send(row.sent...)
				time.Sleep(time.Second)
				synctest.Wait()
				if len(w.all) != i+1 {
					t.Fatalf("%v, %s: %d exchanges were told", f, row.name, len(w.all))
				}
				x := w.all[i]
				if !bytes.Equal(x.Sent, row.sent) || !bytes.Equal(x.Received, row.received) || x.Unit != row.unit ||
					x.Request.Function != row.function || x.Cause != row.cause || x.Framing != f || x.Tries != 1 {
					t.Errorf("%v, %s: %+v", f, row.name, x)
				}
				if x.ID.Number != uint64(i+1) || x.ID.Source != w.all[0].ID.Source {
					t.Errorf("%v, %s: identity %v", f, row.name, x.ID)
				}
				gap := time.Duration(0)
				if f == line.RTU && row.received != nil {
					gap = 2 * time.Millisecond
				}
				if x.Left.Steady != time.Minute+time.Duration(i)*time.Second || x.Done.Sub(x.Left) != gap || x.First.IsZero() != (row.received == nil) {
					t.Errorf("%v, %s: times %+v %+v %+v", f, row.name, x.Left, x.First, x.Done)
				}
			}
			if x := w.all[0]; x.Request.Quantity != 2 || x.Request.Address != 5 {
				t.Errorf("%v: the request is %+v", f, x.Request)
			}
			if raw, ok := w.all[0].AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 6, Count: 1}); !ok || raw[0] != 0 {
				t.Errorf("%v: the exchange holds %v, %v", f, raw, ok)
			}
			if w.all[3].Detail == "" || w.all[2].Response.Exception != 2 {
				t.Errorf("%v: %+v, %+v", f, w.all[2], w.all[3])
			}
		})
	}
}

// Noise around a request is no part of what is told.
func TestObserveBehindNoise(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var w watched
		c := served(t, stationOf(t, hundred(""), Options{Observe: w.see}), line.RTU)
		good := rtu(17, pdu(3, 0, 1)...)
		c.send(append([]byte{0xFF, 0xFE}, good...)...)
		c.heard()
		if len(w.all) != 1 || !bytes.Equal(w.all[0].Sent, good) {
			t.Errorf("%+v", w.all)
		}
	})
}

// Faults of the delivery are told as they left.
func TestObserveFaults(t *testing.T) {
	for name, row := range map[string]struct {
		deliver func(adu []byte, send func([]byte) error) error
		cause   regmap.Cause
		left    int
	}{
		"withheld": {func([]byte, func([]byte) error) error { return nil }, regmap.Silent, 0},
		"half":     {func(adu []byte, send func([]byte) error) error { return send(adu[:4]) }, regmap.Checksum, 4},
		"damaged": {func(adu []byte, send func([]byte) error) error {
			adu[3] ^= 1
			return send(adu)
		}, regmap.Checksum, 7},
		"too short":      {func(adu []byte, send func([]byte) error) error { return send(adu[:2]) }, regmap.Mismatch, 2},
		"broken off":     {func(adu []byte, send func([]byte) error) error { _ = send(adu[:2]); return errHook }, regmap.CutOff, 2},
		"not an answer":  {func(_ []byte, send func([]byte) error) error { return send(rtu(17, 3, 3, 0, 0, 0)) }, regmap.Mismatch, 8},
		"nothing at all": {func([]byte, func([]byte) error) error { return errHook }, regmap.Silent, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			var w watched
			s := stationOf(t, hundred(""), Options{Observe: w.see, Hooks: Hooks{
				Deliver: func(_ context.Context, u regmap.Unit, adu []byte, send func([]byte) error) error {
					if u != testUnit {
						t.Errorf("%s: unit %d", name, u)
					}
					return row.deliver(adu, send)
				},
			}})
			c := served(t, s, line.RTU)
			c.send(rtu(17, pdu(3, 0, 1)...)...)
			c.heard()
			if len(w.all) != 1 || w.all[0].Cause != row.cause || len(w.all[0].Received) != row.left {
				t.Errorf("%s: %+v", name, w.all)
			}
		})
	}
}

// A PDU that could not be answered is told too.
func TestObserveUnanswerable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var w watched
		c := served(t, stationOf(t, hundred(""), Options{Observe: w.see}), line.MBAP)
		c.send(mbap(1, 0x83, 2)...)
		c.wants("")
		if len(w.all) != 1 || w.all[0].Cause != regmap.Silent || w.all[0].Request.Function != 0x83 || w.all[0].Detail == "" {
			t.Errorf("%+v", w.all)
		}
	})
}
