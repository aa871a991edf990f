package link

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// Streams that misbehave, and callers that do not wait.

// A fresh stream is emptied first, once.
func TestFreshStreamIsEmptied(t *testing.T) {
	c := rtu()
	var r *rig
	var ours *emptying
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		ours = &emptying{Stream: s}
		return ours, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		r.ask(17, registers(0))
		r.ask(17, registers(0))
		if ours.emptied != 1 {
			t.Errorf("emptied %d times", ours.emptied)
		}
	})
}

// A port that returns nothing, again and again, is given up and does not spin.
func TestEmptyReadsEndTheStream(t *testing.T) {
	for name, read := range map[string]func() (int, error){
		"nothing":                       func() (int, error) { return 0, nil },
		"a deadline that was never set": func() (int, error) { return 0, errDeadline },
	} {
		t.Run(name, func(t *testing.T) {
			c := rtu()
			dead := &hollow{read: read}
			c.Dial = func(context.Context) (Stream, error) { return dead, nil }
			bubble(t, c, func(r *rig) {
				var x *decode.Exchange
				for range 20 {
					if x = r.ask(17, registers(0)); x.Cause == regmap.PortGone {
						break
					}
				}
				want(t, x, regmap.PortGone, "100 reads in a row gave neither bytes nor an error")
				if n := dead.reads.Load(); n > 2*maxEmptyReads {
					t.Errorf("%d reads", n)
				}
			})
		})
	}
}

// A stream that can say when the last bit has left is asked; the limit counts
// from then.
func TestDrainIsAwaited(t *testing.T) {
	c := rtu()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return &draining{Stream: s, takes: 150 * time.Millisecond}, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		r.delay = 340 * time.Millisecond // 190 ms after the last bit
		got := r.ask(17, registers(0))
		want(t, got, regmap.NoCause, "")
		if d := got.Left.Sub(got.Asked); d < 150*time.Millisecond {
			t.Errorf("left after %s", d)
		}
	})
}

// A request of which nothing was taken leaves no debt.
func TestC9NothingIsOwedForWhatDidNotLeave(t *testing.T) {
	c := lan()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		if len(r.ends) > 1 {
			return s, err
		}
		return &deaf{s}, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		got := r.ask(17, registers(0))
		if want(t, got, regmap.PortGone, "nothing is taken"); got.Sent != nil || got.Tries != 0 {
			t.Errorf("sent %x in %d tries", got.Sent, got.Tries)
		}
		got = r.ask(17, registers(8))
		want(t, got, regmap.NoCause, "")
		if took := got.Done.Sub(got.Asked); took > 150*time.Millisecond {
			t.Errorf("the next exchange took %s", took)
		}
	})
}

// Closing while the stream is being opened closes the stream that comes.
func TestClosedWhileOpening(t *testing.T) {
	c := rtu()
	var r *rig
	var ours *emptying
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		ours = &emptying{Stream: s, onDiscard: func() { r.link.Close() }}
		return ours, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		if err := r.link.Open(context.Background()); err == nil {
			t.Error("a closed link was opened")
		}
		synctest.Wait()
		if _, err := r.ends[0].Read(make([]byte, 1)); err == nil {
			t.Error("the stream was left open")
		}
	})
}

// A stream that cannot be made ready is a line that could not be opened.
func TestStreamThatCannotBeMadeReady(t *testing.T) {
	c := rtu()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return &emptying{Stream: s, err: errNoSuchPort}, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		want(t, r.ask(17, registers(0)), regmap.NoLine, "there is no such port")
		if _, err := r.ends[0].Read(make([]byte, 1)); err == nil {
			t.Error("the stream was left open")
		}
	})
}

// Reads without bytes now and then are no reason to give a port up.
func TestSomeEmptyReadsAreHarmless(t *testing.T) {
	c := lan()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return &stuttering{Stream: s}, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		for i := range maxEmptyReads {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
	})
}

// A stream that takes a part of a request and no more is lost, and the request
// may have left.
func TestPartOfARequestIsTaken(t *testing.T) {
	c := plain()
	var r *rig
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		return &halfDeaf{s}, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		got := r.change(17, frame.WriteRegister(1, 3))
		if want(t, got, regmap.PortGone, "short write"); got.Sent == nil {
			t.Error("the exchange says that nothing left")
		}
	})
}

// Interrupted while the stream is opened, while the line is busy, and in the
// pause of a busy station.
func TestInterruptedWhileOpening(t *testing.T) {
	c := rtu()
	c.Dial = func(ctx context.Context) (Stream, error) {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	bubble(t, c, func(r *rig) {
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		defer cancel()
		x, err := r.link.Ask(ctx, 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Interrupted, "stopped before the line was open")
	})
}

func TestInterruptedWhileAnotherAnswerIsOwed(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(heard) []fault.Delivery { return nil }
		r.ask(17, registers(0))
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		defer cancel()
		x, err := r.link.Ask(ctx, 17, registers(8))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Interrupted, "stopped before the line was free")
		// The port goes meanwhile.
		time.AfterFunc(50*time.Millisecond, func() { r.ends[0].Close() })
		want(t, r.ask(17, registers(16)), regmap.PortGone, "closed by the other end")
		if n := len(r.sent()); n != 1 {
			t.Errorf("%d requests left", n)
		}
	})
}

func TestInterruptedInThePauseOfABusyStation(t *testing.T) {
	bubble(t, retried(rtu, 5), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(17, []byte{0x83, 6}))} }
		ctx, cancel := context.WithTimeout(context.Background(), 250*time.Millisecond)
		defer cancel()
		x, err := r.link.Ask(ctx, 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Excepted, "server device busy")
		x = r.ask(17, registers(0), Once())
		if want(t, x, regmap.Excepted, "server device busy"); x.Tries != 1 {
			t.Errorf("%d tries of a read that may not be repeated", x.Tries)
		}
	})
}
