package link

import (
	"context"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// A peer that sends anything, in any pieces, must not end the program, hold an
// exchange beyond its limit, or make the link keep more than a frame needs; and
// afterwards an honest station is understood.
func FuzzHostilePeer(f *testing.F) {
	q := registers(0)
	for i, framing := range []string{"mbap", "rtu", "ascii", "rtu on a network"} {
		h := heard{adu: frame.ADU{Framing: framings[framing]().Framing, Transaction: 1}, q: q}
		honestly := h.answer(17, honest(17, q))
		f.Add(uint8(i), uint8(1), honestly)
		f.Add(uint8(i), uint8(40), honestly[:len(honestly)-2])
		f.Add(uint8(i), uint8(3), slicesJoin(honestly, honestly, honestly))
		f.Add(uint8(i), uint8(0), h.answer(17, []byte{0x83, 2}))
		f.Add(uint8(i), uint8(9), h.answer(18, honest(18, q)))
		pdu, _ := q.Append(nil)
		f.Add(uint8(i), uint8(0), h.answer(17, pdu))
	}
	f.Fuzz(func(t *testing.T, framing, every uint8, bytes []byte) {
		if len(bytes) > 2000 {
			return
		}
		config := framings[[]string{"mbap", "rtu", "ascii", "rtu on a network"}[framing%4]]()
		bubble(t, config, func(r *rig) {
			r.answer = func(h heard) []fault.Delivery {
				if every == 0 {
					return []fault.Delivery{after(0, bytes)}
				}
				return drip(bytes, time.Duration(every%30)*time.Millisecond)
			}
			for i := range 4 {
				x, err := r.link.Ask(context.Background(), 17, registers(regmap.Address(i)))
				if err != nil || x.Cause == regmap.NeverRead || x.Done.Sub(x.Asked) > 2*maxHorizon {
					t.Fatalf("%+v, %v", x, err)
				}
				if x.Left.Steady > 0 && x.Done.Sub(x.Left) > timing.Response+50*time.Millisecond {
					t.Errorf("the exchange took %s: %+v", x.Done.Sub(x.Left), x)
				}
				kept := 0
				switch w := r.link.wire.(type) {
				case *turns:
					w.mu.Lock()
					kept = max(len(w.in.bytes), len(w.ear))
					w.mu.Unlock()
				case *transactions:
					w.mu.Lock()
					kept = len(w.in.bytes)
					w.mu.Unlock()
				}
				if kept > 600 {
					t.Errorf("%d bytes kept", kept)
				}
			}
			time.Sleep(2 * maxHorizon)
			r.mu.Lock()
			r.answer = nil
			r.mu.Unlock()
			r.ask(17, registers(40)) // may end in doubt, or on a stream that is lost
			time.Sleep(2 * maxHorizon)
			if x := r.ask(17, registers(44)); x.Cause != regmap.NoCause {
				t.Errorf("an honest station is not understood: %q, %s", x.Cause, x.Detail)
			}
		})
	})
}
