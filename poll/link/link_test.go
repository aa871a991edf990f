package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

var framings = map[string]func() Config{"mbap": plain, "rtu": rtu, "rtu on a network": lan,
	"ascii": ascii, "ascii on a network": func() Config { return Config{Framing: line.ASCII} }}

var readings = []frame.Request{
	frame.Read(regmap.Coil, 19, 37), frame.Read(regmap.DiscreteInput, 196, 22),
	frame.Read(regmap.HoldingRegister, 107, 3), frame.Read(regmap.InputRegister, 8, 1),
	frame.Read(regmap.HoldingRegister, 0, 125), frame.Read(regmap.Coil, 0, 2000), frame.Read(regmap.InputRegister, 65535, 1),
	{Function: frame.ReadExceptionStatus}, {Function: frame.GetCommEventCounter}, {Function: frame.ReportServerID},
	{Function: frame.ReadFIFOQueue, Address: 0x04DE}, frame.Diagnose(frame.ReturnQueryData, 0xA537),
}

var changes = []frame.Request{
	frame.WriteCoil(172, true), frame.WriteCoil(172, false), frame.WriteRegister(1, 3),
	frame.WriteCoils(19, true, false, true, true, false, false, true, true, true, false),
	frame.WriteRegisters(1, 10, 258), frame.MaskWrite(4, 0x00F2, 0x0025), frame.ReadWrite(3, 6, 14, 255, 255, 255),
	frame.Diagnose(frame.ClearCounters, 0),
}

func TestEveryFunctionInEveryFraming(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.delay = 10 * time.Millisecond
				for _, q := range readings {
					if x := r.ask(17, q); x.Cause != regmap.NoCause {
						t.Errorf("%v: %s %s", q, x.Cause, x.Detail)
					}
				}
				for _, q := range changes {
					if x := r.change(17, q); x.Cause != regmap.NoCause {
						t.Errorf("%v: %s %s", q, x.Cause, x.Detail)
					}
				}
				if got := r.link.Statistics(); got.Answered != uint64(len(readings)+len(changes)) || got.Repeated+got.Noise+got.Late+got.Foreign != 0 {
					t.Errorf("statistics %+v", got)
				}
			})
		})
	}
}

// The request of V1.1b3, 6.3 (registers 108 to 110), in the three framings; the
// frames around it by TCP guide V1.0b 3.1.3 and serial guide V1.02 2.5.1, 2.5.2.
func TestFramesOnTheWire(t *testing.T) {
	q := frame.Read(regmap.HoldingRegister, 107, 3)
	for name, want := range map[string][]byte{
		"mbap":  {0x00, 0x01, 0x00, 0x00, 0x00, 0x06, 0x11, 0x03, 0x00, 0x6B, 0x00, 0x03},
		"rtu":   {0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87},
		"ascii": []byte(":1103006B00037E\r\n"),
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				x := r.ask(17, q)
				if !bytes.Equal(r.sent()[0].raw, want) || !bytes.Equal(x.Sent, want) {
					t.Errorf("station got %x, exchange says %x, want %x", r.sent()[0].raw, x.Sent, want)
				}
				if adu, err := frame.ParseADU(x.Framing, x.Received); err != nil || adu.Unit != 17 {
					t.Errorf("received %x: %v", x.Received, err)
				}
			})
		})
	}
}

func TestAskRefusesWhatChanges(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		more := []frame.Request{
			frame.Diagnose(frame.RestartCommunications, 0), frame.Diagnose(frame.ForceListenOnlyMode, 0),
			{Function: frame.EncapsulatedInterface, MEI: frame.MEICANopen, Data: []byte{1}},
			{Function: 0x41}, // user defined, unknown: may change anything
		}
		for _, q := range append(more, changes...) {
			if x, err := r.link.Ask(context.Background(), 17, q); !errors.Is(err, ErrChanges) || x != nil {
				t.Errorf("ask %v: %v, %v; want %v", q, x, err, ErrChanges)
			}
		}
		if n := len(r.sent()); n != 0 {
			t.Errorf("%d requests left", n)
		}
	})
}

func TestChangeNeedsItsPermit(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		q := frame.WriteRegister(1, 3)
		other := permitted(17, frame.WriteRegister(1, 4))
		used := permitted(17, q)
		if _, err := r.link.Change(context.Background(), 17, q, used); err != nil {
			t.Fatal(err)
		}
		for name, c := range map[string]struct {
			p    permit.Permit
			unit regmap.Unit
			want error
		}{
			"none": {permit.Permit{}, 17, permit.ErrNone}, "another request": {other, 17, permit.ErrOther},
			"another unit": {permitted(17, q), 18, permit.ErrOther}, "used": {used, 17, permit.ErrUsed},
		} {
			if x, err := r.link.Change(context.Background(), c.unit, q, c.p); !errors.Is(err, c.want) || x != nil {
				t.Errorf("%s: %v, %v; want %v", name, x, err, c.want)
			}
		}
		if x, err := r.link.Change(context.Background(), 17, registers(0), permitted(17, registers(0))); !errors.Is(err, ErrNoChange) || x != nil {
			t.Errorf("a read with a permit: %v, %v", x, err)
		}
		if n := len(r.sent()); n != 1 {
			t.Errorf("%d requests left, want 1", n)
		}
	})
}

func TestRefusedBeforeAnythingIsSent(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		for name, c := range map[string]struct {
			q    frame.Request
			opts []Option
			unit regmap.Unit
			want error
		}{
			"quantity 126":         {frame.Read(regmap.HoldingRegister, 0, 126), nil, 17, frame.ErrValue},
			"quantity 0":           {frame.Read(regmap.Coil, 0, 0), nil, 17, frame.ErrValue},
			"broadcast read":       {registers(0), nil, 0, ErrBroadcast},
			"timing without limit": {registers(0), []Option{With(line.Timing{})}, 17, ErrTiming},
			"retries below 0":      {registers(0), []Option{With(line.Timing{Response: 1, Retries: -1})}, 17, ErrTiming},
		} {
			if x, err := r.link.Ask(context.Background(), c.unit, c.q, c.opts...); !errors.Is(err, c.want) || x != nil {
				t.Errorf("%s: %v, %v; want %v", name, x, err, c.want)
			}
		}
		data := frame.WriteRegisters(0, 1, 2)
		data.Quantity = 3 // goburrow would send it: byte count 4, quantity 3
		pdu := []byte{0x10, 0, 0, 0, 3, 4, 0, 1, 0, 2}
		if x, err := r.link.Change(context.Background(), 17, data, permit.New(17, pdu)); !errors.Is(err, frame.ErrCount) || x != nil {
			t.Errorf("quantity 3 with four bytes: %v, %v", x, err)
		}
		if n := len(r.sent()); n != 0 {
			t.Errorf("%d requests left", n)
		}
	})
}

func TestNewChecksItsConfig(t *testing.T) {
	dial := func(context.Context) (Stream, error) { return nil, errNoSuchPort }
	for name, c := range map[string]Config{
		"no dialer":      {Framing: line.RTU},
		"no framing":     {Dial: dial},
		"mbap on serial": {Dial: dial, Framing: line.MBAP, Serial: serial19200},
		"no speed":       {Dial: dial, Framing: line.RTU, Serial: line.Serial{Port: "x"}},
		"17 slots":       {Dial: dial, Framing: line.MBAP, Slots: 17},
		"late below 0":   {Dial: dial, Framing: line.MBAP, Timing: line.Timing{Response: 1, Late: -1}},
		"no response":    {Dial: dial, Framing: line.MBAP, Timing: line.Timing{Retries: 1}},
	} {
		if l, err := New(c); !errors.Is(err, ErrConfig) || l != nil {
			t.Errorf("%s: %v, %v; want %v", name, l, err, ErrConfig)
		}
	}
}

func TestIdentitiesCountUp(t *testing.T) {
	config := plain()
	config.Source = 0x9f2c41d0
	bubble(t, config, func(r *rig) {
		for i := 1; i <= 3; i++ {
			if got := r.ask(17, registers(0)).ID.String(); got != fmt.Sprintf("9f2c41d0:%d", i) {
				t.Errorf("exchange %d is %s", i, got)
			}
		}
	})
}

// A station may have its own timing: the first limit is the line's, the second
// the call's.
func TestOwnTimingOfACall(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.delay = 300 * time.Millisecond
				want(t, r.ask(17, registers(0)), regmap.Silent, "no answer within 0.2")
				own := timing
				own.Response = time.Second
				want(t, r.ask(17, registers(4), With(own)), regmap.NoCause, "")
			})
		})
	}
}

// Retries are for reads: the third try is answered. A read that changes by
// being read is not repeated.
func TestReadsAreRepeated(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Timing = timing
			c.Timing.Retries = 2
			bubble(t, c, func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n%3 != 0 {
						return nil
					}
					return []fault.Delivery{after(0, h.honest())}
				}
				x := r.ask(17, registers(0))
				if want(t, x, regmap.NoCause, ""); x.Tries != 3 {
					t.Errorf("%d tries, want 3", x.Tries)
				}
				if got := x.Done.Sub(x.Asked); got < 400*time.Millisecond || got > 450*time.Millisecond {
					t.Errorf("done after %s, want two limits of 200 ms", got)
				}
				x = r.ask(17, registers(0), Once())
				if want(t, x, regmap.Silent, "no answer"); x.Tries != 1 {
					t.Errorf("%d tries of a read that may not be repeated", x.Tries)
				}
			})
		})
	}
}

// A change is never repeated by itself, and one without an answer stays
// unknown.
func TestChangesAreNeverRepeated(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Timing = timing
			c.Timing.Retries = 5
			bubble(t, c, func(r *rig) {
				for _, q := range changes {
					before := len(r.sent())
					r.answer = func(h heard) []fault.Delivery {
						if h.q.Changes() {
							return nil
						}
						return []fault.Delivery{after(0, h.honest())}
					}
					x := r.change(17, q)
					if want(t, x, regmap.Silent, "no answer"); x.Sent == nil || x.Tries != 1 {
						t.Errorf("%v: sent %x in %d tries", q, x.Sent, x.Tries)
					}
					written := 0
					for _, h := range r.sent()[before:] {
						if h.q.Changes() {
							written++
						}
					}
					if written != 1 {
						t.Errorf("%v: sent %d times", q, written)
					}
				}
			})
		})
	}
}

// A broadcast is done once, nobody answers, and the turnaround passes before
// the next request. Source: serial guide V1.02, 2.1 and 2.4.1.
func TestC8Broadcast(t *testing.T) {
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				r.ask(17, registers(0))
				x := r.change(0, frame.WriteRegister(1, 3))
				if want(t, x, regmap.Silent, "a broadcast is never answered"); x.Sent == nil {
					t.Error("nothing was sent")
				}
				if waited := x.Done.Sub(x.Left); waited != 0 {
					t.Errorf("an answer was awaited for %s", waited)
				}
				next := r.ask(17, registers(0))
				want(t, next, regmap.NoCause, "")
				if got := next.Left.Sub(x.Left); got < timing.Turnaround || got > timing.Turnaround+20*time.Millisecond {
					t.Errorf("the next request left %s after the broadcast, want %s", got, timing.Turnaround)
				}
			})
		})
	}
}

// On TCP unit 0 is a device like another. Source: TCP guide V1.0b, 4.4.1.2.
func TestUnitZeroOnTCPIsAnswered(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		want(t, r.ask(0, registers(0)), regmap.NoCause, "")
		want(t, r.change(0, frame.WriteRegister(1, 3)), regmap.NoCause, "")
	})
}

func TestInterruptedWhileWaiting(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.answer = func(heard) []fault.Delivery { return nil }
				ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
				defer cancel()
				x, err := r.link.Ask(ctx, 17, registers(0))
				if err != nil {
					t.Fatal(err)
				}
				r.check(x)
				want(t, x, regmap.Interrupted, "stopped while waiting")
				x, err = r.link.Ask(ctx, 17, registers(0))
				if err != nil || x.Sent != nil {
					t.Errorf("a call whose context has ended: %v, sent %x", err, x.Sent)
				}
				want(t, x, regmap.Interrupted, "stopped before")
			})
		})
	}
}

func TestClosedLinkRefuses(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.answer = func(heard) []fault.Delivery { return nil }
				var x *decode.Exchange
				done := make(chan struct{})
				go func() {
					defer close(done)
					x, _ = r.link.Ask(context.Background(), 17, registers(0))
				}()
				synctest.Wait()
				r.link.Close()
				<-done
				want(t, x, regmap.Interrupted, "the link is closed")
				if x, err := r.link.Ask(context.Background(), 17, registers(0)); !errors.Is(err, ErrClosed) || x != nil {
					t.Errorf("ask on a closed link: %v, %v", x, err)
				}
				if err := r.link.Open(context.Background()); !errors.Is(err, ErrClosed) {
					t.Errorf("open on a closed link: %v", err)
				}
			})
		})
	}
}

// Many goroutines on one link: every answer belongs to its request.
func TestManyAtOnce(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					return []fault.Delivery{{Delay: time.Duration(5+h.n%7*3) * time.Millisecond, Bytes: h.honest(), Overtake: h.adu.Framing == line.MBAP}}
				}
				done := make(chan *decode.Exchange)
				for g := range 32 {
					go func() {
						for i := range 10 {
							x, err := r.link.Ask(context.Background(), regmap.Unit(1+g%5), registers(regmap.Address(100*g+i)))
							if err != nil {
								t.Error(err)
							}
							done <- x
						}
					}()
				}
				for range 320 {
					x := <-done
					r.check(x)
					want(t, x, regmap.NoCause, "")
				}
			})
		})
	}
}

// Sixteen slots: a station that needs 20 ms each has answered 200 requests
// after 13 rounds.
func TestSlotsShareATCPConnection(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.delay = 20 * time.Millisecond
		began := time.Now()
		done := make(chan *decode.Exchange)
		for i := range 200 {
			go func() {
				x, _ := r.link.Ask(context.Background(), regmap.Unit(i%20), registers(regmap.Address(i)))
				done <- x
			}()
		}
		for range 200 {
			x := <-done
			r.check(x)
			want(t, x, regmap.NoCause, "")
		}
		if got := time.Since(began); got != 13*20*time.Millisecond {
			t.Errorf("took %s, want 13 rounds of 20 ms", got)
		}
	})
}

func TestPauseBetweenExchanges(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Slots = 1
			c.Timing = timing
			c.Timing.Pause = 30 * time.Millisecond
			bubble(t, c, func(r *rig) {
				r.delay = 50 * time.Millisecond
				silence := c.Timing.Pause
				if name == "rtu" {
					silence += frame.Gap35(serial19200)
				}
				last := r.ask(17, registers(0))
				for range 3 {
					x := r.ask(17, registers(0))
					began := r.sent()[len(r.sent())-1].at.Sub(last.Done.Wall)
					if began < silence || began > silence+time.Millisecond {
						t.Errorf("%s of silence between exchanges, want %s", began, silence)
					}
					last = x
				}
			})
		})
	}
}
