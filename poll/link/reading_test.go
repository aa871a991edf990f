package link

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// Who reads an MBAP stream; see reader. The rules are our own, so are the checks.

// reading says who reads the link's stream now.
func (r *rig) reading() reader {
	r.t.Helper()
	w := r.link.wire.(*transactions)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.session == nil {
		r.t.Fatal("no stream is open")
	}
	return w.session.reader
}

// closely asks twice, so that the reading is lent.
func (r *rig) closely() {
	r.t.Helper()
	r.delay = time.Millisecond
	for range 2 {
		want(r.t, r.ask(17, registers(0)), regmap.NoCause, "")
	}
	if got := r.reading(); got != nobody {
		r.t.Fatalf("reader %d after two exchanges in a row; it should be lent", got)
	}
}

func TestReadingIsLentToExchangesThatFollowClosely(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.delay = time.Millisecond
		r.ask(17, registers(0))
		if got := r.reading(); got != watch {
			t.Errorf("reader %d after one exchange; it should be the watch", got)
		}
		r.closely()
		r.delay = 50 * time.Millisecond
		go r.link.Ask(context.Background(), 17, registers(2))
		time.Sleep(20 * time.Millisecond)
		if got := r.reading(); got != caller {
			t.Errorf("reader %d while a caller waits alone; it should read", got)
		}
		time.Sleep(30*time.Millisecond + lentFor/2)
		if got := r.reading(); got != nobody {
			t.Errorf("reader %d after its answer", got)
		}
		time.Sleep(lentFor)
		if got := r.reading(); got != watch {
			t.Errorf("reader %d a while after the last exchange; the watch should be back", got)
		}
		want(t, r.ask(17, registers(4)), regmap.NoCause, "")
	})
}

// A caller that reads keeps its time limit, and that of others.
func TestReadingCallerEndsInTime(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.closely()
		r.answer = func(heard) []fault.Delivery { return nil }
		for range 3 {
			x := r.ask(17, registers(0))
			want(t, x, regmap.Silent, "no answer within 0.2 s")
			if got := x.Done.Sub(x.Left); got != 200*time.Millisecond {
				t.Errorf("the wait took %s", got)
			}
		}
		if s := r.link.Statistics(); s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestReadingCallerStopsWithItsContext(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.closely()
		ctx, cancel := context.WithCancel(context.Background())
		for range 3 { // the same context each time
			x, err := r.link.Ask(ctx, 17, registers(0))
			if err != nil {
				t.Fatal(err)
			}
			want(t, x, regmap.NoCause, "")
		}
		r.delay = 150 * time.Millisecond
		time.AfterFunc(50*time.Millisecond, cancel)
		x, err := r.link.Ask(ctx, 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Interrupted, "stopped while waiting")
		if got := x.Done.Sub(x.Asked); got != 50*time.Millisecond {
			t.Errorf("stopped after %s", got)
		}
		r.delay = time.Millisecond
		want(t, r.ask(17, registers(2)), regmap.NoCause, "")
		time.Sleep(200 * time.Millisecond)
		if s := r.link.Statistics(); s.Late != 1 || s.Losses != 0 {
			t.Errorf("statistics %+v; the answer that was given up comes late", s)
		}
	})
}

func TestReadingCallerStopsWhenTheLinkIsClosed(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.closely()
		r.delay = 150 * time.Millisecond
		time.AfterFunc(50*time.Millisecond, func() { r.link.Close() })
		x, err := r.link.Ask(context.Background(), 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.Interrupted, "closed")
		if got := x.Done.Sub(x.Asked); got != 50*time.Millisecond {
			t.Errorf("stopped after %s", got)
		}
	})
}

// The one that reads gives another its answer; when its own comes first, the
// other gets its answer all the same.
func TestReadingCallerServesOthers(t *testing.T) {
	for name, delays := range map[string][2]time.Duration{
		"its own last":  {60 * time.Millisecond, 30 * time.Millisecond},
		"its own first": {30 * time.Millisecond, 60 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.closely()
				r.answer = func(h heard) []fault.Delivery {
					d := after(delays[int(h.q.Address)/10], h.honest())
					d.Overtake = true
					return []fault.Delivery{d}
				}
				got := make(chan *decode.Exchange, 2)
				for i := range 2 {
					go func() {
						x, _ := r.link.Ask(context.Background(), 17, registers(regmap.Address(10*i)))
						got <- x
					}()
					time.Sleep(10 * time.Millisecond) // the first one reads
				}
				for range 2 {
					x := <-got
					want(t, x, regmap.NoCause, "")
					r.check(x)
					if took, want := x.Done.Sub(x.Left), delays[int(x.Request.Address)/10]; took != want {
						t.Errorf("address %d answered after %s, not %s", x.Request.Address, took, want)
					}
				}
			})
		})
	}
}

// A station that hangs up after its answers is seen to do so soon, and from
// then on before the next request leaves.
func TestHangUpWhileLent(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.closely()
		r.ends[0].Close()
		time.Sleep(lentFor)
		synctest.Wait()
		if s := r.link.Statistics(); s.Losses != 1 {
			t.Fatalf("statistics %+v; the loss should be seen within %s", s, lentFor)
		}
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
	bubble(t, plain(), func(r *rig) {
		r.closely()
		r.ends[0].Close() // and the next request finds it so
		want(t, r.ask(17, registers(0)), regmap.PortGone, "")
		for range 3 {
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		}
		if got := r.reading(); got != watch {
			t.Errorf("reader %d; the reading should not be lent again", got)
		}
		r.ends[1].Close()
		synctest.Wait()
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

func TestUnaskedFramesAreSeenAfterLending(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.closely()
		r.ends[0].SetFilter(nil)
		r.ends[0].Write(as(r.sent()[0].honest(), 99))
		time.Sleep(lentFor)
		synctest.Wait()
		if s := r.link.Statistics(); s.Foreign != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}
