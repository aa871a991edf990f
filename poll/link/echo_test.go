package link

import (
	"bytes"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The tests C5 are the abuse table's adapters that send our own requests back.

// echoing puts the request itself in front of what the station sends.
func echoing(answer func(h heard) []fault.Delivery) func(h heard) []fault.Delivery {
	return func(h heard) []fault.Delivery {
		return append([]fault.Delivery{after(0, h.raw)}, answer(h)...)
	}
}

func TestC5EchoIsTakenOff(t *testing.T) {
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				r.answer = echoing(func(h heard) []fault.Delivery { return []fault.Delivery{after(60*time.Millisecond, h.honest())} })
				for _, q := range append(append([]frame.Request{}, readings...), changes...) {
					ask := r.ask
					if q.Changes() {
						ask = r.change
					}
					x := ask(17, q)
					if want(t, x, regmap.NoCause, ""); !bytes.Equal(x.Received, heard{adu: frame.ADU{Framing: r.config.Framing}}.answer(17, honest(17, q))) {
						t.Errorf("%v: received %x", q, x.Received)
					}
					if got := x.First.Sub(x.Left); got > 60*time.Millisecond || got < 0 {
						t.Errorf("%v: first byte after %s", q, got)
					}
				}
				if found := r.findings("adapter-echoes"); len(found) != 1 {
					t.Errorf("findings %+v", found)
				}
				if s := r.link.Statistics(); s.Noise != 0 || s.Unowed != 0 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// The copy of 05 or 06 is no confirmation: the station is silent, the echo
// comes, and the write stays unknown. The first read of a link learns the echo,
// so it is made even when a write comes first.
func TestC5EchoIsNoConfirmation(t *testing.T) {
	mirrored := []frame.Request{frame.WriteCoil(3, true), frame.WriteRegister(1, 3), frame.MaskWrite(4, 1, 2), frame.Diagnose(frame.ClearCounters, 0)}
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		for _, q := range mirrored {
			t.Run(fmt.Sprint(name, " ", q.Function), func(t *testing.T) {
				bubble(t, framings[name](), func(r *rig) {
					r.answer = echoing(func(heard) []fault.Delivery { return nil })
					x := r.change(17, q)
					if want(t, x, regmap.Silent, "no answer"); x.Sent == nil {
						t.Error("not sent")
					}
					got := r.sent()
					if len(got) != 2 || got[0].q.Changes() || !got[1].q.Changes() {
						t.Errorf("sent %v; want a read, then the write", got)
					}
				})
			})
		}
	}
}

// Known from an earlier read, nothing is read again.
func TestC5EchoIsLearnedOnce(t *testing.T) {
	for _, echoes := range []bool{false, true} {
		bubble(t, rtu(), func(r *rig) {
			r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(time.Millisecond, h.honest())} }
			if echoes {
				r.answer = echoing(r.answer)
			}
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
			for range 5 {
				want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.NoCause, "")
			}
			if n := len(r.sent()); n != 6 {
				t.Errorf("%d requests for one read and five writes", n)
			}
		})
	}
}

// A line too disturbed to tell: the write does not leave.
func TestC5NothingIsWrittenBeforeTheEchoIsKnown(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, []byte{1, 2, 3, 4, 5, 6, 7, 8, 9})} }
		x := r.change(17, frame.WriteRegister(1, 3))
		if want(t, x, regmap.Checksum, "nothing was sent"); x.Sent != nil {
			t.Errorf("sent %x", x.Sent)
		}
		r.answer = nil
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.NoCause, "")
	})
}

// A silent station on a line without echo: the write goes out, unanswered.
func TestC5SilenceTeachesThatNothingEchoes(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return nil }
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.Silent, "no answer")
		if got := r.sent(); len(got) != 2 || !got[1].q.Changes() {
			t.Errorf("sent %v", got)
		}
	})
}

// The late answer to a write looks like a copy of it, and must not teach that
// the adapter echoes.
func TestC5LateWriteAnswerIsNoEcho(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.ask(17, registers(0))
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(250*time.Millisecond, h.honest())} }
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.Silent, "no answer")
		time.Sleep(time.Second)
		synctest.Wait()
		r.answer = nil
		want(t, r.change(17, frame.WriteRegister(1, 4)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Echoes != 0 || s.Late != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// The echo of a broadcast is taken off as well, and teaches nothing when an
// answer would look the same.
func TestC5EchoOfABroadcast(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 0 {
				return []fault.Delivery{after(0, h.raw)}
			}
			return []fault.Delivery{after(0, h.raw), after(10*time.Millisecond, h.honest())}
		}
		r.change(0, frame.WriteRegister(1, 3))
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Echoes != 2 || s.Noise+s.Foreign+s.Unowed != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// The copy comes in pieces, as from an adapter.
func TestC5EchoInPieces(t *testing.T) {
	for _, name := range []string{"rtu", "ascii"} {
		for _, every := range []time.Duration{time.Millisecond, 16 * time.Millisecond} {
			bubble(t, framings[name](), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					d := drip(h.raw, every)
					return append(d, after(time.Duration(len(h.raw)+1)*every, h.honest()))
				}
				own := timing
				own.Response = time.Second
				for _, a := range []regmap.Address{0, 0x0400, 0x1103} { // 0400: as an answer it would have four bytes
					want(t, r.ask(17, registers(a), With(own)), regmap.NoCause, "")
				}
				want(t, r.change(17, frame.WriteRegister(1, 3), With(own)), regmap.NoCause, "")
				if s := r.link.Statistics(); s.Echoes != 4 || s.Noise != 0 {
					t.Errorf("%s, a byte each %s: statistics %+v", name, every, s)
				}
			})
		}
	}
}

// A read with noise before its answer does not prove that nothing echoes: the
// noise may have been the copy. It is learned again before the write.
func TestC5NoiseMayHaveBeenTheCopy(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			damaged := bytes.Clone(h.raw)
			damaged[3] ^= 0x10
			switch h.n {
			case 1:
				return []fault.Delivery{after(0, damaged), after(10*time.Millisecond, h.honest())}
			case 2:
				return []fault.Delivery{after(0, h.raw), after(10*time.Millisecond, h.honest())}
			}
			return []fault.Delivery{after(0, h.raw)}
		}
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.Silent, "no answer")
		if got := r.sent(); len(got) != 3 || got[1].q.Changes() {
			t.Errorf("sent %v; want a second read before the write", got)
		}
	})
}

// Once the adapter echoed, a copy that is lost does not make the next copy a
// confirmation.
func TestC5ALostCopyIsNoProof(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			switch {
			case h.n == 2:
				return []fault.Delivery{after(10*time.Millisecond, h.honest())}
			case h.q.Changes():
				return []fault.Delivery{after(0, h.raw)}
			}
			return []fault.Delivery{after(0, h.raw), after(10*time.Millisecond, h.honest())}
		}
		r.ask(17, registers(0))
		want(t, r.ask(17, registers(8)), regmap.NoCause, "")
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.Silent, "no answer")
	})
}

// What was learned holds for one stream: another adapter may have come.
func TestC5LearnedAgainAfterReconnect(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.ask(17, registers(0))
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Changes() {
				return []fault.Delivery{after(0, h.raw)}
			}
			return []fault.Delivery{after(0, h.raw), after(10*time.Millisecond, h.honest())}
		}
		r.ends[0].Close()
		synctest.Wait()
		x := r.change(17, frame.WriteRegister(1, 3))
		want(t, x, regmap.Silent, "no answer")
		if x.ID.Number != 4 { // the read, the number taken first, the read to learn, the write
			t.Errorf("the write is number %d; it must come after the read that went before it", x.ID.Number)
		}
	})
}

// A station that answers broadcasts, which none should, is no echo.
func TestC5AnsweredBroadcastIsNoEcho(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(5*time.Millisecond, h.honest())} }
		r.change(0, frame.WriteRegister(1, 3))
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.NoCause, "")
		if found := r.findings("adapter-echoes"); len(found) != 0 {
			t.Errorf("findings %+v", found)
		}
	})
}
