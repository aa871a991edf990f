package link

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The tests B5 to B11 are the abuse table's answers to a client. Each asserts what
// becomes of the exchange and why.

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
