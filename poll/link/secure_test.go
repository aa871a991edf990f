package link

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// A refusing error is what a secure stream's first read gives when the station
// judged our certificate after the handshake.
// Source: RFC 8446, 4.4.2.4 and 6.2 (TLS 1.3).
type refusing13 struct{ reason string }

func (r refusing13) Error() string   { return "remote error: tls: " + r.reason }
func (r refusing13) Refusal() string { return r.reason }

// A judged stream gives an error in place of its first read's bytes.
type judged struct {
	*fault.End
	err error
}

func (j *judged) Read(b []byte) (int, error) {
	n, err := j.End.Read(b)
	if n > 0 {
		return 0, fmt.Errorf("read: %w", j.err)
	}
	return n, err
}

func TestStationRefusesOurCertificate(t *testing.T) {
	for _, reason := range []string{"certificate required", "unknown certificate authority", "expired certificate"} {
		c := plain()
		c.Timing = timing
		c.Timing.Retries = 2
		dials := 0
		c.Dial = func(context.Context) (Stream, error) {
			dials++
			ours, theirs := fault.Pipe()
			go func() { // the alert
				if _, err := theirs.Read(make([]byte, 64)); err == nil {
					_, _ = theirs.Write([]byte{21})
				}
			}()
			return &judged{ours, refusing13{reason}}, nil
		}
		bubble(t, c, func(r *rig) {
			words := "the station refused our certificate (" + reason + ")"
			want(t, r.ask(17, registers(0)), regmap.PortGone, words)
			for range 20 {
				if x := r.ask(17, registers(0)); !contains(x.Detail, words) {
					t.Errorf("%q: %s", x.Cause, x.Detail)
				}
			}
			if dials > 12 {
				t.Errorf("%d handshakes with a station that refuses us", dials)
			}
			for _, s := range r.lineStates()[1:] {
				if !s.Up && !contains(s.Why, words) {
					t.Errorf("line state %+v", s)
				}
			}
		})
	}
}

// A clogged stream gives up each write until it is opened anew, as a secure
// stream does for ever after the first.
type clogged struct {
	*fault.End
	until *int
	gone  bool
}

func (c *clogged) Write(b []byte) (int, error) {
	if *c.until > 0 || c.gone {
		*c.until--
		c.gone = true
		time.Sleep(timing.Response)
		return 0, os.ErrDeadlineExceeded
	}
	return c.End.Write(b)
}

// After a write that was given up the stream is opened anew, with every
// framing, and the request that could not leave is none that was sent.
func TestWriteGivenUpOpensAnew(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Timing = timing
			var r *rig
			dials, until := 0, 1
			c.Dial = func(ctx context.Context) (Stream, error) {
				dials++
				s, err := r.dial(ctx)
				return &clogged{End: s.(*fault.End), until: &until}, err
			}
			bubble(t, c, func(it *rig) {
				r = it
				x := r.change(17, frame.MaskWrite(4, 0xF2, 0x25))
				want(t, x, regmap.PortGone, "could not be sent within")
				if x.Sent != nil {
					t.Errorf("sent %x", x.Sent)
				}
				time.Sleep(time.Second)
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
				if dials != 2 {
					t.Errorf("%d streams opened", dials)
				}
			})
		})
	}
}
