package link

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The tests B1 to B17 are the abuse table's answers to a client. Each asserts
// what becomes of the exchange and why, and that the next one is good.

// as is a frame whose transaction identifier is moved.
func as(b []byte, by int) []byte {
	b = bytes.Clone(b)
	id := int(b[0])<<8 | int(b[1])
	id += by
	b[0], b[1] = byte(id>>8), byte(id)
	return b
}

func TestB1UnknownTransactionIsDiscardedAndTheWaitGoesOn(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(10*time.Millisecond, as(h.honest(), 7)), after(150*time.Millisecond, h.honest())}
		}
		x := r.ask(17, registers(0))
		want(t, x, regmap.NoCause, "")
		if got := x.Done.Sub(x.Left); got != 150*time.Millisecond {
			t.Errorf("done after %s", got)
		}
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, as(h.honest(), -1000))} }
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer within 200ms")
		if s := r.link.Statistics(); s.Foreign != 2 || s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB2LateAnswerHarmsNothing(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			d := after(10*time.Millisecond, h.honest())
			if h.n == 1 {
				d.Delay, d.Overtake = 230*time.Millisecond, true
			}
			return []fault.Delivery{d}
		}
		want(t, r.ask(17, registers(9)), regmap.Silent, "no answer")
		for i := range 1000 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		if s := r.link.Statistics(); s.Late != 1 || s.Dials != 1 || s.Answered != 1000 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A late answer to the first try is still the right answer while the second
// waits; the answer to the second is then one too many.
func TestB2LateAnswerToAnEarlierTry(t *testing.T) {
	c := plain()
	c.Timing = timing
	c.Timing.Retries = 1
	bubble(t, c, func(r *rig) {
		r.delay = 230 * time.Millisecond
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
			t.Errorf("%d tries", x.Tries)
		}
		if got := x.First.Sub(x.Left); got != 230*time.Millisecond {
			t.Errorf("answered %s after its own request", got)
		}
		if x.Sent[1] != x.Received[1] {
			t.Errorf("sent %x and received %x are of two transactions", x.Sent, x.Received)
		}
		time.Sleep(time.Second)
		if s := r.link.Statistics(); s.Late != 1 || s.Duplicates != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB3SameAnswerTwice(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(5*time.Millisecond, h.honest()), after(6*time.Millisecond, h.honest())}
		}
		for i := range 50 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		time.Sleep(time.Second)
		if s := r.link.Statistics(); s.Duplicates != 50 || s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB3AnswersOutOfOrder(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { // the last asked is answered first
			return []fault.Delivery{{Delay: time.Duration(100-5*h.n) * time.Millisecond, Bytes: h.honest(), Overtake: true}}
		}
		done := make(chan *decode.Exchange, 16)
		for i := range 16 {
			go func() {
				x, _ := r.link.Ask(context.Background(), 17, registers(regmap.Address(10*i)))
				done <- x
			}()
		}
		for range 16 {
			x := <-done
			r.check(x)
			want(t, x, regmap.NoCause, "")
		}
	})
}

func TestB4AnotherUnitOnADirectConnection(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(0, h.answer(1, honest(h.adu.Unit, h.q)))}
		}
		for range 3 {
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		}
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.NoCause, "")
		found := r.findings("other-unit")
		if len(found) != 1 || found[0].Subject != "unit 17" || len(found[0].Evidence) != 1 {
			t.Errorf("findings %+v, want one", found)
		}
	})
}

func TestB4AnotherUnitBehindAGateway(t *testing.T) {
	c := plain()
	c.Gateway = true
	bubble(t, c, func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(18, honest(17, h.q)))} }
		want(t, r.ask(17, registers(0)), regmap.Mismatch, "unit 18 answered, unit 17 was asked")
		r.answer = nil
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Refused != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Another function is no answer and never an exception of the station, on both
// kinds of link. Source: TCP guide V1.0b, 4.4.1.3.
func TestB5AnotherFunction(t *testing.T) {
	for _, name := range []string{"mbap", "rtu"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				for f := range 256 {
					if f == 0x03 || f == 0x83 {
						continue
					}
					r.answer = func(h heard) []fault.Delivery {
						return []fault.Delivery{after(0, h.answer(17, append([]byte{byte(f)}, honest(17, h.q)[1:]...)))}
					}
					x := r.ask(17, registers(0))
					if x.Answered() || x.Cause == regmap.Excepted || name == "mbap" && x.Cause != regmap.Mismatch {
						t.Fatalf("function %#x in the answer to 0x03: cause %q, %s", f, x.Cause, x.Detail)
					}
				}
				r.answer = func(h heard) []fault.Delivery { // a whole, valid answer of function 04
					q := h.q
					q.Function = frame.ReadInputRegisters
					return []fault.Delivery{after(0, h.answer(17, honest(17, q)))}
				}
				want(t, r.ask(17, registers(0)), regmap.Mismatch, "not an answer to this request")
				r.answer = nil
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
			})
		})
	}
}

func TestB6Exceptions(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				pdu := []byte(nil)
				r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(17, pdu))} }
				for _, code := range []byte{1, 2, 3, 4, 7, 8, 9, 0x0A, 0x0B, 0x77, 0xFF} {
					pdu = []byte{0x83, code}
					x := r.ask(17, registers(0))
					if want(t, x, regmap.Excepted, ""); byte(x.Response.Exception) != code {
						t.Errorf("exception %d came as %d", code, x.Response.Exception)
					}
				}
				want(t, r.ask(17, registers(0)), regmap.Excepted, "exception 255 (0xFF)")
				pdu = []byte{0x83, 2}
				want(t, r.ask(17, registers(0)), regmap.Excepted, "illegal data address, exception 2 (0x02)")
				for _, malformed := range [][]byte{{0x83, 0}, {0x83}, {0x83, 2, 0}, {0x83, 2, 2, 2, 2, 2}, {0x84, 2}} {
					pdu = malformed
					x := r.ask(17, registers(0))
					if x.Cause == regmap.Excepted || x.Answered() || name == "mbap" && x.Cause != regmap.Mismatch {
						t.Errorf("%x: cause %q, %s", malformed, x.Cause, x.Detail)
					}
				}
			})
		})
	}
}

// Byte counts 0 to 255 against every number of data bytes near the right one:
// only the one right pair is an answer.
func TestB7ByteCounts(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		for count := range 256 {
			for _, length := range []int{0, 1, 3, 4, 5, 6, 8, count} {
				r.answer = func(h heard) []fault.Delivery {
					data := append(honest(17, h.q)[2:], make([]byte, 256)...)
					pdu := append([]byte{0x03, byte(count)}, data[:min(length, 251)]...)
					return []fault.Delivery{after(0, h.answer(17, pdu))}
				}
				x := r.ask(17, registers(0))
				if right := count == 4 && length == 4; x.Answered() != right || !right && x.Cause != regmap.Mismatch {
					t.Fatalf("byte count %d with %d bytes: %q, %s", count, length, x.Cause, x.Detail)
				}
			}
		}
	})
}

// An echo of a write that differs anywhere is not a confirmation.
func TestB8DifferingEcho(t *testing.T) {
	for _, name := range []string{"mbap", "rtu"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				for _, q := range changes[:6] {
					pdu := honest(17, q)
					for i := range 8 * len(pdu) {
						r.answer = func(h heard) []fault.Delivery {
							answer := honest(17, h.q)
							if h.q.Changes() {
								answer[i/8] ^= 1 << (i % 8)
							}
							return []fault.Delivery{after(0, h.answer(17, answer))}
						}
						x := r.change(17, q)
						if x.Answered() || x.Cause == regmap.Excepted || name == "mbap" && x.Cause != regmap.Mismatch {
							t.Fatalf("%v, bit %d of %x wrong: %q, %s", q, i, pdu, x.Cause, x.Detail)
						}
						if x.Sent == nil || x.Tries != 1 {
							t.Fatalf("sent %x, %d tries", x.Sent, x.Tries)
						}
					}
				}
			})
		})
	}
}

// A station that is busy for ever is asked a bounded number of times, with
// growing pauses, while other units go on even with one slot.
func TestB9BusyForEver(t *testing.T) {
	for _, name := range []string{"mbap", "rtu"} {
		for _, code := range []frame.Exception{frame.Acknowledge, frame.ServerDeviceBusy} {
			t.Run(fmt.Sprint(name, code), func(t *testing.T) {
				c := framings[name]()
				c.Slots, c.Timing = 1, timing
				c.Timing.Retries = 3
				bubble(t, c, func(r *rig) {
					r.answer = func(h heard) []fault.Delivery {
						if h.adu.Unit != 17 {
							return []fault.Delivery{after(time.Millisecond, h.honest())}
						}
						return []fault.Delivery{after(time.Millisecond, h.answer(17, []byte{0x83, byte(code)}))}
					}
					busy := make(chan *decode.Exchange)
					go func() {
						x, _ := r.link.Ask(context.Background(), 17, registers(0))
						busy <- x
					}()
					others := 0
					var x *decode.Exchange
					for x == nil {
						select {
						case x = <-busy:
						default:
							want(t, r.ask(18, registers(0)), regmap.NoCause, "")
							others++
						}
					}
					if want(t, x, regmap.Excepted, code.Name()); x.Tries != 4 {
						t.Errorf("%d tries, want 4", x.Tries)
					}
					var at []time.Time
					for _, h := range r.sent() {
						if h.adu.Unit == 17 {
							at = append(at, h.at)
						}
					}
					for i := 2; i < len(at); i++ {
						if at[i].Sub(at[i-1]) <= at[i-1].Sub(at[i-2]) {
							t.Errorf("pauses do not grow: %v", at)
						}
					}
					if others < 50 {
						t.Errorf("only %d exchanges with the other unit meanwhile", others)
					}
				})
			})
		}
	}
}

// identification is an answer to Read Device Identification.
func identification(more bool, next uint8, objects ...Object) frame.Response {
	a := frame.Response{Function: frame.EncapsulatedInterface, MEI: frame.MEIDeviceID, Code: frame.DeviceIDBasic,
		Conformity: 0x81, More: more, Next: next, Count: uint8(len(objects))}
	for _, o := range objects {
		a.Data = append(append(a.Data, o.ID, byte(len(o.Value))), o.Value...)
	}
	return a
}

func TestB10Identification(t *testing.T) {
	o := func(id uint8) Object { return Object{id, []byte{'a', 'b'}} }
	forever := func(h heard) frame.Response { return identification(true, h.q.Object+1, o(h.q.Object)) }
	for _, c := range []struct {
		name    string
		answer  func(h heard) []byte
		objects int
		asked   int
		cause   regmap.Cause
		broken  string
	}{
		{"all in one", pdu(func(heard) frame.Response { return identification(false, 0, o(0), o(1), o(2)) }), 3, 1, regmap.NoCause, ""},
		{"in two parts", pdu(func(h heard) frame.Response {
			if h.q.Object == 0 {
				return identification(true, 2, o(0), o(1))
			}
			return identification(false, 0, o(2))
		}), 3, 2, regmap.NoCause, ""},
		{"more for ever", pdu(forever), maxIdentifications, maxIdentifications, regmap.Mismatch, "more objects follow after 64 answers"},
		{"the next does not grow", pdu(func(heard) frame.Response { return identification(true, 1, o(0), o(1)) }), 2, 1, regmap.Mismatch, "after object 1 the next is said to be 1"},
		{"the stream starts again", pdu(func(h heard) frame.Response {
			if h.q.Object == 0 {
				return identification(true, 1, o(0))
			}
			return identification(true, 1, o(0))
		}), 1, 2, regmap.Mismatch, "object 0 follows object 0"},
		{"nothing comes, more follows", func(h heard) []byte {
			return []byte{0x2B, 0x0E, 1, 0x81, 0xFF, 1, 0}
		}, 0, 1, regmap.Mismatch, "no object came when object 0 was asked"},
		{"a length past the end", func(heard) []byte { return []byte{0x2B, 0x0E, 1, 0x81, 0, 0, 1, 0, 9, 'a'} }, 0, 1, regmap.Mismatch, "malformed"},
		{"a count too large", func(heard) []byte { return []byte{0x2B, 0x0E, 1, 0x81, 0, 0, 2, 0, 1, 'a'} }, 0, 1, regmap.Mismatch, "malformed"},
		{"a count too small", func(heard) []byte { return []byte{0x2B, 0x0E, 1, 0x81, 0, 0, 1, 0, 1, 'a', 1, 1, 'b'} }, 0, 1, regmap.Mismatch, "malformed"},
		{"refused", func(heard) []byte { return []byte{0xAB, 1} }, 0, 1, regmap.Excepted, ""},
		{"silent", func(heard) []byte { return nil }, 0, 1, regmap.Silent, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if pdu := c.answer(h); pdu != nil {
						return []fault.Delivery{after(0, h.answer(17, pdu))}
					}
					return nil
				}
				id, err := r.link.Identify(context.Background(), 17, frame.DeviceIDBasic)
				if err != nil || len(id.Objects) != c.objects || len(id.Exchanges) != c.asked || id.Cause != c.cause {
					t.Errorf("%d objects in %d exchanges, cause %q (%v)", len(id.Objects), len(id.Exchanges), id.Cause, err)
				}
				if !contains(id.Broken, c.broken) && c.broken != "malformed" || (c.broken == "") != (id.Broken == "") {
					t.Errorf("broken %q, want %q", id.Broken, c.broken)
				}
			})
		})
	}
	bubble(t, rtu(), func(r *rig) {
		if id, err := r.link.Identify(context.Background(), 0, frame.DeviceIDBasic); err == nil || id.Exchanges != nil {
			t.Errorf("identify by broadcast: %+v, %v", id, err)
		}
	})
}

func pdu(f func(h heard) frame.Response) func(h heard) []byte {
	return func(h heard) []byte {
		b, err := f(h).Append(nil)
		if err != nil {
			panic(err)
		}
		return b
	}
}

// Inner lengths of 20 and 24 that do not add up: refused whole.
// Source: V1.1b3, 6.14 and 6.18.
func TestB11InnerLengths(t *testing.T) {
	file := frame.Request{Function: frame.ReadFileRecord, Data: []byte{6, 0, 4, 0, 1, 0, 2, 6, 0, 3, 0, 9, 0, 2}}
	queue := frame.Request{Function: frame.ReadFIFOQueue, Address: 1246}
	for _, c := range []struct {
		q     frame.Request
		pdu   []byte
		right bool
	}{
		{file, []byte{0x14, 12, 5, 6, 0x0D, 0xFE, 0, 0x20, 5, 6, 0x33, 0xCD, 0, 0x40}, true}, // V1.1b3, 6.14
		{file, []byte{0x14, 12, 7, 6, 0x0D, 0xFE, 0, 0x20, 3, 6, 0x33, 0xCD, 0, 0x40}, false},
		{file, []byte{0x14, 12, 5, 6, 0x0D, 0xFE, 0, 0x20, 6, 6, 0x33, 0xCD, 0, 0x40}, false},
		{file, []byte{0x14, 6, 5, 6, 0x0D, 0xFE, 0, 0x20}, false},
		{file, []byte{0x14, 12, 11, 6, 0x0D, 0xFE, 0, 0x20, 5, 6, 0x33, 0xCD, 0, 0x40}, false},
		{queue, []byte{0x18, 0, 6, 0, 2, 0x01, 0xB8, 0x12, 0x84}, true}, // V1.1b3, 6.18
		{queue, []byte{0x18, 0, 6, 0, 3, 0x01, 0xB8, 0x12, 0x84}, false},
		{queue, []byte{0x18, 0, 8, 0, 2, 0x01, 0xB8, 0x12, 0x84}, false},
		{queue, []byte{0x18, 0, 6, 0, 1, 0x01, 0xB8, 0x12, 0x84}, false},
	} {
		bubble(t, plain(), func(r *rig) {
			r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(17, c.pdu))} }
			x := r.ask(17, c.q)
			if x.Answered() != c.right || !c.right && x.Cause != regmap.Mismatch {
				t.Errorf("%x: %q, %s", c.pdu, x.Cause, x.Detail)
			}
		})
	}
}

// Valid frames that nobody asked for, without end: after 64 of them, or 16 kB,
// the stream is closed with that reason, and opened again.
func TestB12FloodOfUnaskedFrames(t *testing.T) {
	for name, size := range map[string]uint16{"by number": 1, "by bytes": 125} {
		t.Run(name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n > 1 {
						return []fault.Delivery{after(0, h.honest())}
					}
					q := frame.Read(regmap.HoldingRegister, 0, int(size))
					frameOf := as(h.answer(17, honest(17, q)), 999)
					return []fault.Delivery{{Act: fault.Flood, Bytes: frameOf, Every: 100 * time.Microsecond}}
				}
				x := r.ask(17, registers(0))
				want(t, x, regmap.Mismatch, "came that answer no open request")
				if took := x.Done.Sub(x.Left); took > 10*time.Millisecond {
					t.Errorf("closed after %s", took)
				}
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
				s := r.link.Statistics()
				if s.Flooded != 1 || s.Losses != 1 || s.Foreign > maxUnasked+1 {
					t.Errorf("statistics %+v", s)
				}
				states := r.lineStates()
				if len(states) != 3 || states[1].Up || !contains(states[1].Why, "answer no open request") {
					t.Errorf("line states %+v", states)
				}
			})
		})
	}
}

// drip sends a frame one byte at a time.
func drip(b []byte, every time.Duration) (d []fault.Delivery) {
	for i := range b {
		d = append(d, after(time.Duration(i+1)*every, b[i:i+1]))
	}
	return d
}

// One byte just before each read deadline: the exchange has one deadline.
func TestB13OneDeadlineForTheExchange(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery { return drip(h.honest(), 150*time.Millisecond) }
				x := r.ask(17, registers(0))
				want(t, x, regmap.CutOff, "answer cut off after 1")
				if took := x.Done.Sub(x.Left); took > 220*time.Millisecond {
					t.Errorf("the exchange took %s; its limit is 200 ms and the answer's line time", took)
				}
			})
		})
	}
}

// Half a frame, then silence, or the end of the connection: cut off after so
// many bytes, and a new connection serves the next request.
func TestB14CutAtEveryByte(t *testing.T) {
	ends := map[string][]fault.Delivery{"silence": nil, "fin": {{Act: fault.Fin}}, "reset": {{Act: fault.Rst, Delay: time.Millisecond}}}
	for name, end := range ends {
		for _, framing := range []string{"mbap", "rtu on a network"} {
			t.Run(name+" "+framing, func(t *testing.T) {
				bubble(t, framings[framing](), func(r *rig) {
					size := 0
					for n := 1; size == 0 || n < size; n++ {
						r.answer = func(h heard) []fault.Delivery {
							b := h.honest()
							size = len(b)
							return append([]fault.Delivery{after(0, b[:n])}, end...)
						}
						x := r.ask(17, registers(0))
						if want(t, x, regmap.CutOff, fmt.Sprintf("answer cut off after %d ", n)); len(x.Received) != n {
							t.Errorf("received %x", x.Received)
						}
						r.answer = nil
						want(t, r.ask(17, registers(4)), regmap.NoCause, "")
					}
					if s := r.link.Statistics(); name != "silence" && s.Reconnects != uint64(size-1) {
						t.Errorf("statistics %+v", s)
					}
				})
			})
		}
	}
}

func TestB15SilentPeer(t *testing.T) {
	c := plain()
	c.Timing = timing
	c.Timing.Retries = 2
	bubble(t, c, func(r *rig) {
		r.answer = func(heard) []fault.Delivery { return nil }
		x := r.ask(17, registers(0))
		if want(t, x, regmap.Silent, "no answer within 200ms"); x.Tries != 3 {
			t.Errorf("%d tries", x.Tries)
		}
	})
}

func TestB15Refused(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.refuse = fmt.Errorf("connection refused")
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoLine, "connection refused"); x.Sent != nil || x.Tries != 0 {
			t.Errorf("sent %x", x.Sent)
		}
		if err := r.link.Open(context.Background()); err == nil || !contains(err.Error(), "connection refused") {
			t.Errorf("open: %v", err)
		}
		if states := r.lineStates(); len(states) != 1 || states[0].Up || states[0].Why != "connection refused" || states[0].Line != "Pump house" {
			t.Errorf("line states %+v", states)
		}
		r.refuse = nil
		time.Sleep(time.Second)
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

// A dial that never ends is given up, also by a dialer that does not look at
// its context; what it opens later is closed.
func TestB15DialSwallowed(t *testing.T) {
	for _, heedful := range []bool{true, false} {
		t.Run(fmt.Sprint(heedful), func(t *testing.T) {
			c := plain()
			var late *fault.End
			c.Dial = func(ctx context.Context) (Stream, error) {
				if heedful {
					<-ctx.Done()
					return nil, ctx.Err()
				}
				time.Sleep(time.Minute)
				ours, theirs := fault.Pipe()
				late = theirs
				return ours, nil
			}
			bubble(t, c, func(r *rig) {
				began := time.Now()
				want(t, r.ask(17, registers(0)), regmap.NoLine, "not open within 5s")
				if took := time.Since(began); took != 5*time.Second {
					t.Errorf("took %s", took)
				}
				r.link.Close()
				time.Sleep(2 * time.Minute)
				synctest.Wait()
				if !heedful {
					if _, err := late.Read(make([]byte, 1)); err == nil {
						t.Error("the stream that came too late was not closed")
					}
				}
			})
		})
	}
}

// A half-open connection, after a power cut at the other end: silence first,
// then a new connection is tried and serves.
func TestB15HalfOpen(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		r.ends[0].HalfOpen()
		silent := 0
		for r.ask(17, registers(0)).Cause == regmap.Silent {
			silent++
			if silent > 20 {
				t.Fatal("the dead connection is kept")
			}
		}
		if silent != maxSilences {
			t.Errorf("%d silent exchanges before the connection was given up", silent)
		}
		if states := r.lineStates(); len(states) != 3 || !contains(states[1].Why, "nothing was heard") {
			t.Errorf("line states %+v", states)
		}
	})
}

// One dead unit behind a gateway is no reason to leave the connection.
func TestB15SilenceOfOneUnitKeepsTheConnection(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 5 {
				return nil
			}
			return []fault.Delivery{after(0, h.honest())}
		}
		for range 30 {
			want(t, r.ask(5, registers(0)), regmap.Silent, "no answer")
			want(t, r.ask(6, registers(0)), regmap.NoCause, "")
		}
		if s := r.link.Statistics(); s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// The peer takes nothing any more: the write has a limit too.
func TestB15PeerThatTakesNothing(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		c := plain()
		c.Timing = timing
		c.Dial = func(context.Context) (Stream, error) { return &stuck{closed: make(chan struct{})}, nil }
		l, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		x, err := l.Ask(context.Background(), 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.PortGone, "the request could not be sent within 200ms")
		if x.Sent != nil {
			t.Errorf("sent %x, and nothing was taken", x.Sent)
		}
	})
}

func TestB16TransactionIdentifiersWrap(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.link.wire.(*transactions).next = 65530
		for i := range 20 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		ids := map[uint16]bool{}
		for _, h := range r.sent() {
			ids[h.adu.Transaction] = true
		}
		if len(ids) != 20 || !ids[65535] || !ids[0] || !ids[1] {
			t.Errorf("identifiers %v", ids)
		}
	})
}

// Identifiers of requests that are still open are passed over when the count
// comes round.
func TestB16AnOpenIdentifierIsNotUsedAgain(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 9 {
				return []fault.Delivery{{Delay: 150 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
			}
			return []fault.Delivery{after(time.Millisecond, h.honest())}
		}
		slow := make(chan *decode.Exchange)
		go func() {
			x, _ := r.link.Ask(context.Background(), 9, registers(0))
			slow <- x
		}()
		time.Sleep(10 * time.Millisecond)
		w := r.link.wire.(*transactions)
		w.mu.Lock()
		w.next = r.sent()[0].adu.Transaction - 1
		w.mu.Unlock()
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		x := <-slow
		r.check(x)
		want(t, x, regmap.NoCause, "")
	})
}

// One dead unit among many: the others keep their period within 5 %.
func TestB17OneDeadUnitAmongMany(t *testing.T) {
	const units, cycles, period = 200, 60, time.Second
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 77 {
				return nil
			}
			return []fault.Delivery{{Delay: time.Millisecond, Bytes: h.honest(), Overtake: true}}
		}
		type seen struct {
			unit regmap.Unit
			at   time.Time
			good bool
		}
		results := make(chan seen, units*cycles)
		for u := range units {
			go func() {
				next := time.Now().Add(time.Duration(u) * period / units)
				for range cycles {
					time.Sleep(time.Until(next))
					next = next.Add(period)
					x, _ := r.link.Ask(context.Background(), regmap.Unit(u), registers(0))
					results <- seen{regmap.Unit(u), time.Now(), x.Answered()}
				}
			}()
		}
		at := map[regmap.Unit][]time.Time{}
		for range units * cycles {
			s := <-results
			if s.good != (s.unit != 77) {
				t.Fatalf("unit %d answered: %v", s.unit, s.good)
			}
			at[s.unit] = append(at[s.unit], s.at)
		}
		for u, times := range at {
			for i := 1; i < len(times) && u != 77; i++ {
				if d := times[i].Sub(times[i-1]) - period; d > period/20 || d < -period/20 {
					t.Errorf("unit %d: period %s", u, times[i].Sub(times[i-1]))
				}
			}
		}
	})
}

// After a frame that has no borders nothing of the stream is used any more.
func TestB7StreamWithoutBordersIsClosed(t *testing.T) {
	for name, head := range map[string][]byte{
		"length 0": {0, 1, 0, 0, 0, 0, 17}, "length 1": {0, 1, 0, 0, 0, 1, 17}, "length 255": {0, 1, 0, 0, 0, 255, 17},
		"length 65535": {0, 1, 0, 0, 255, 255, 17}, "protocol 1": {0, 1, 0, 1, 0, 3, 17, 0x83, 2},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n > 1 {
						return []fault.Delivery{after(0, h.honest())}
					}
					return []fault.Delivery{after(0, head), after(time.Millisecond, h.honest())}
				}
				want(t, r.ask(17, registers(0)), regmap.Mismatch, "the stream lost its borders")
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
				if s := r.link.Statistics(); s.Losses != 1 || s.Reconnects != 1 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// Frames in any pieces: one byte at a time, several in one piece.
func TestAnswersInAnyPieces(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				for size := range 30 {
					r.answer = func(h heard) (d []fault.Delivery) {
						for piece := range slices.Chunk(h.honest(), size+1) {
							d = append(d, after(0, piece))
						}
						return d
					}
					want(t, r.ask(17, frame.Read(regmap.HoldingRegister, 0, 10)), regmap.NoCause, "")
				}
			})
		})
	}
}
