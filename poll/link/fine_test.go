package link

import (
	"context"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// drained is a port with a line under it, as far as a link can see.
type drained struct{ *fault.End }

func (drained) Drain(context.Context) error { return nil }

// On a port whose silences are waited out to the point none is shorter than 3.5
// characters, also where time is not the machine's and only a timer can wait.
// Source: serial guide V1.02, 2.5.1.1.
func TestSilenceToThePoint(t *testing.T) {
	c := rtu()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return drained{s.(*fault.End)}, err
	}
	bubble(t, c, func(it *rig) {
		r = it
		r.delay = time.Millisecond
		if w := r.link.wire.(*turns); w.fine.Load() {
			t.Error("no port is open, and its silences are waited out")
		}
		before := r.ask(17, registers(0))
		for i := range 20 {
			x := r.ask(17, registers(regmap.Address(i)))
			want(t, x, regmap.NoCause, "")
			if gap := x.Left.Sub(before.Done); gap != frame.Gap35(serial19200) {
				t.Errorf("a request left %s after the answer before", gap)
			}
			before = x
		}
	})
}

// The silence may be ended early by nothing but the end of the wait itself.
func TestSilenceToThePointIsInterrupted(t *testing.T) {
	c := rtu()
	var r *rig
	c.Timing = timing
	c.Timing.Pause = time.Second
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return drained{s.(*fault.End)}, err
	}
	bubble(t, c, func(it *rig) {
		r = it
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
		defer cancel()
		x, err := r.link.Ask(ctx, 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Interrupted, "stopped before the line was free")
	})
}
