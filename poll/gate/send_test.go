package gate

import (
	"context"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// whole delivers a frame, or only so many bytes of it; none is a lost frame.
func whole(chunk []byte, n int) []fault.Delivery {
	if n = min(n, len(chunk)); n == 0 {
		return nil
	}
	return []fault.Delivery{{Bytes: slices.Clone(chunk[:n])}}
}

// cutWrites lets so many bytes of each change and of its answer pass.
func (r *rig) cutWrites(ofRequest, ofAnswer int) {
	after := false
	r.filter = func(request bool, chunk []byte) []fault.Delivery {
		switch {
		case request && r.isWrite(chunk):
			after = true
			cut := whole(chunk, ofRequest)
			if ofRequest < len(chunk) && r.line.Framing == line.MBAP {
				cut = append(cut, fault.Delivery{Act: fault.Rst}) // TCP loses no bytes but the last
			}
			return cut
		case !request && after:
			after = false
			return whole(chunk, ofAnswer)
		}
		return whole(chunk, len(chunk))
	}
}

const all = 1 << 10

// TestK8SentOnce: whatever becomes of the answer, the station sees the request
// once, and what is not known is called so.
func TestK8SentOnce(t *testing.T) {
	for _, place := range []string{onTCP, onRTU, onASCII} {
		bench(t, place, func(r *rig) {
			r.cutWrites(all, 0)
			began := r.clock().Steady
			rep := r.set("lead-start", "1.65")
			r.ends(rep, Unknown, Sent, "whether it was done is not known: no answer within")
			if n := len(r.changes()); n != 1 {
				r.Errorf("%s: the station saw %d changes, want 1", place, n)
			}
			if !strings.Contains(rep.Results[0].Words, "lead-start of cistern reads 1.650 m") || rep.OK() {
				r.Errorf("%s: %s", place, rep.Results[0].Words)
			}
			// design.md 3, `late`: three times the response.
			if took := r.clock().Steady - began; took < 3*200*time.Millisecond {
				r.Errorf("%s: read back after %s, before the horizon was over", place, took)
			}
		})
	}
}

// TestK8TimeOutAtEveryByte: a request or an answer cut after any byte, over
// each framing. Never twice, never done without the station's word, and never
// called undone.
func TestK8TimeOutAtEveryByte(t *testing.T) {
	for _, place := range []string{onTCP, onRTU, onASCII} {
		f := map[string]line.Framing{onTCP: line.MBAP, onRTU: line.RTU, onASCII: line.ASCII}[place]
		length := frame.ADULength(f, 5) // 06: 5 bytes, and so is its answer
		for n := range length {
			for _, ofRequest := range []bool{true, false} {
				bench(t, place, func(r *rig) {
					if ofRequest {
						r.cutWrites(n, all)
					} else {
						r.cutWrites(all, n)
					}
					rep := r.set("mode", "1")
					one := rep.Results[0]
					changes := len(r.changes())
					switch {
					case one.Outcome != Unknown:
						r.Errorf("%s, request %v, cut at %d: %s, %s", place, ofRequest, n, one.Outcome, one.Words)
					case ofRequest && changes != 0 || !ofRequest && changes != 1:
						r.Errorf("%s, request %v, cut at %d: the station saw %d changes", place, ofRequest, n, changes)
					}
					if mode := r.holds("mode"); !strings.Contains(one.Words, "reads "+mode) {
						r.Errorf("%s, request %v, cut at %d: the station holds %s: %s", place, ofRequest, n, mode, one.Words)
					}
				})
			}
		}
	}
}

// TestB8EchoDiffers: abuse table B8. An answer that names another value is no
// confirmation, whichever byte differs.
func TestB8EchoDiffers(t *testing.T) {
	for _, point := range []string{"mode", "lag-start", "remote", "valves", "word.first"} {
		for i := 1; i < 5; i++ {
			bench(t, onTCP, func(r *rig) {
				r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
					answer := next(dst, u, pdu)
					if q, err := frame.ParseRequest(pdu); err == nil && q.Changes() {
						answer[len(dst)+i] ^= 0x01
					}
					return answer
				}
				rep := r.set(point, "1")
				if got := rep.Results[0].Outcome; got != Unknown || len(r.changes()) != 1 {
					r.Errorf("%s, byte %d: %s, %d changes", point, i, got, len(r.changes()))
				}
			})
		}
	}
}

// TestC5EchoTrap: abuse table C5. The adapter echoes and the station does not
// answer a 05 or 06: the copy looks like the answer and is none.
func TestC5EchoTrap(t *testing.T) {
	for _, write := range [][2]string{{"mode", "1"}, {"remote", "off"}} {
		for _, deaf := range []bool{true, false} {
			bench(t, onRTU, func(r *rig) {
				r.dial = r.echoing
				r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
					if q, err := frame.ParseRequest(pdu); deaf && err == nil && q.Changes() {
						return dst
					}
					return next(dst, u, pdu)
				}
				rep := r.set(write[0], write[1])
				if want := map[bool]Outcome{true: Unknown, false: Done}[deaf]; rep.Results[0].Outcome != want {
					r.Errorf("%s, station deaf %v: %s, %s", write[0], deaf, rep.Results[0].Outcome, rep.Results[0].Words)
				}
			})
		}
	}
}

// echoing joins the link to the station through an adapter that sends each
// request back.
func (r *rig) echoing(context.Context) (link.Stream, error) {
	ours, adapter := fault.Pipe()
	wire, theirs := fault.Pipe()
	r.serve(wire, theirs)
	forward := func(from, to, back *fault.End) {
		b := make([]byte, 512)
		for {
			n, err := from.Read(b)
			if back != nil && n > 0 {
				back.Write(b[:n])
			}
			if n > 0 {
				to.Write(b[:n])
			}
			if err != nil {
				to.Close()
				return
			}
		}
	}
	go forward(adapter, wire, adapter)
	go forward(wire, adapter, nil)
	return ours, nil
}

// TestK9ReadBack: accepted is not done. The value is read from the table that
// the map names, in limit and time, and both values are told.
func TestK9ReadBack(t *testing.T) {
	accept := func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
		if q, err := frame.ParseRequest(pdu); err == nil && q.Changes() {
			return append(dst, pdu...) // answered as done, and nothing is done
		}
		return next(dst, u, pdu)
	}
	bench(t, onTCP, func(r *rig) {
		r.answer = accept
		r.ends(r.set("lead-start", "1.65"), Failed, ReadBackStep, "it was sent as 1.650 m, and lead-start of cistern reads 1.600 m")
	})
	bench(t, onTCP, func(r *rig) { // the contact follows after two seconds
		time.AfterFunc(2*time.Second, func() { r.publish("running", "on") })
		r.ends(r.set("pump", "on"), Done, 0, "running of cistern reads on")
	})
	bench(t, onTCP, func(r *rig) { // it never does
		began := r.clock().Steady
		r.ends(r.set("pump", "on"), Failed, ReadBackStep, "running of cistern reads off")
		if took := r.clock().Steady - began; took > OtherReadBack+time.Second {
			r.Errorf("it took %s", took)
		}
	})
	for speed, outcome := range map[string]Outcome{"49.0": Failed, "49.5": Done, "50": Done, "50.5": Failed} { // steps of 0.5 Hz
		bench(t, onTCP, func(r *rig) {
			r.publish("speed-now", speed)
			step := Step(0)
			if outcome == Failed {
				step = ReadBackStep
			}
			r.ends(r.set("speed", "49.8"), outcome, step, "speed-now of cistern reads "+speed[:2])
		})
	}
	bench(t, onTCP, func(r *rig) { // accepted, and then it answers no more
		silent := false
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if silent {
				return dst
			}
			q, err := frame.ParseRequest(pdu)
			silent = err == nil && q.Changes()
			return next(dst, u, pdu)
		}
		r.ends(r.set("mode", "1"), Unknown, ReadBackStep, "the station confirmed it, and it could not be read back: mode of cistern could not be read: no answer")
	})
	bench(t, onTCP, func(r *rig) {
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if q, err := frame.ParseRequest(pdu); err == nil && q.Changes() {
				return append(dst, pdu[0]|0x80, byte(frame.ServerDeviceBusy))
			}
			return next(dst, u, pdu)
		}
		r.ends(r.set("mode", "1"), Failed, Sent, "the station refused it: exception 06, server device busy; mode of cistern reads automatic")
		if n := len(r.changes()); n != 1 {
			r.Errorf("a refused write was sent %d times", n)
		}
	})
}

// TestFunctions: which function a point is written with, by hand from the
// standard. Source: V1.1b3, 6.5 (05), 6.6 (06), 6.11 (0F), 6.12 (10), 6.16 (16).
func TestFunctions(t *testing.T) {
	for _, row := range []struct{ point, text, pdu string }{
		{"remote", "off", "0500000000"},
		{"pump", "on", "050001ff00"},
		{"valves", "on", "0f0002000101" + "01"},
		{"lead-start", "0.55", "0600020226"},
		{"lag-start", "-2.5", "10000300010" + "2f63c"},
		{"dose", "12.4", "100005000204" + "66664146"},
		{"count", "65537", "100007000204" + "00010001"},
		{"mode", "hand", "0600090000"},
		{"name", "WEST 2", "10000a000408" + "5745535420320000"},
		{"word", "0x0031", "06000e0031"},
		{"word.first", "on", "16000efffe0001"},
		{"word.second", "on", "16000efffd0000"}, // active when 0
		{"word.stage", "fast", "16000eff8f0030"},
		{"whole.first", "on", "06000f0201"}, // bit 9 is on already
		{"wide.low", "on", "160011fff70008"},
		{"wide.high", "on", "160010ffef0010"},
		{"wide.across", "15", "100010000204" + "0003c000"},
		{"small", "3", "06001b0003"},
	} {
		bench(t, onTCP, func(r *rig) {
			rep := r.set(row.point, row.text)
			if rep.Results[0].Outcome != Done && row.point != "pump" {
				r.Errorf("%s %s: %s, %s", row.point, row.text, rep.Results[0].Outcome, rep.Results[0].Words)
			}
			pdu, _ := r.changes()[0].q.Append(nil)
			if got := hex.EncodeToString(pdu); got != row.pdu {
				r.Errorf("%s %s: %s, want %s", row.point, row.text, got, row.pdu)
			}
		})
	}
}

// TestDryRun: every step up to the log, and nothing that changes anything.
func TestDryRun(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: []Want{r.want("lead-start", "1.65"), r.want("reset", "on")}, DryRun: true})
		r.ends(rep, Checked, 0, "dry run")
		if !rep.OK() || len(r.log.events()) != 0 || len(r.changes()) != 0 || len(r.shown) != 1 || len(r.asked) != 2 {
			r.Errorf("%+v, log %v, %d changes, %d shown, %d asked", rep, r.log.events(), len(r.changes()), len(r.shown), len(r.asked))
		}
		if len(r.requests) == 0 {
			r.Error("nothing was read")
		}
		rep = r.gate.Write(r.Context(), Job{Wants: []Want{r.want("lead-start", "2.55")}, DryRun: true})
		r.ends(rep, Refused, RightValue, "0.5 to 2.5 m")
	})
}

// TestStopped: what was stopped before it left is not sent; what has left is
// seen to its end.
func TestStopped(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		ctx, cancel := context.WithCancel(r.Context())
		r.confirm = func(q Question) (string, error) {
			cancel()
			return q.Wants, nil
		}
		rep := r.gate.Write(ctx, Job{Wants: []Want{r.want("mode", "1")}})
		r.ends(rep, Refused, Confirmed, "stopped before it was sent")
	})
	bench(t, onTCP, func(r *rig) {
		ctx, cancel := context.WithCancel(r.Context())
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if q, err := frame.ParseRequest(pdu); err == nil && q.Changes() {
				cancel()
			}
			return next(dst, u, pdu)
		}
		rep := r.gate.Write(ctx, Job{Wants: []Want{r.want("mode", "1"), r.want("dose", "1")}})
		r.ends(rep, Done, 0, "mode of cistern reads off")
		if rep.Results[1].Outcome != Refused || len(r.changes()) != 1 {
			r.Errorf("%+v", rep.Results[1])
		}
	})
	bench(t, onTCP, func(r *rig) {
		r.link.Close()
		rep := r.set("mode", "1")
		r.ends(rep, Refused, Device, "the link is closed")
	})
}

// TestNotSent: the line is gone once the log's line stands: nothing left, and
// the log says so.
func TestNotSent(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.log.then = func(event string) {
			if event == "sending" {
				r.dial = func(context.Context) (link.Stream, error) { return nil, errors.New("no such host") }
				r.ours.Reset()
				time.Sleep(time.Millisecond)
			}
		}
		r.ends(r.set("mode", "1"), NotSent, Sent, "nothing was sent: ")
		if l := r.log.last("outcome"); l["outcome"] != "not-sent" {
			r.Errorf("%v", l)
		}
	})
	bench(t, onTCP, func(r *rig) {
		r.log.then = func(event string) {
			if event == "sending" {
				r.link.Close()
			}
		}
		r.ends(r.set("reset", "on"), NotSent, Sent, "nothing was sent: the link is closed")
	})
}

// TestK9OtherPoints: what another point shows, in its own type and units.
func TestK9OtherPoints(t *testing.T) {
	for _, row := range []struct {
		point, text, other, shows string
		outcome                   Outcome
	}{
		{"tank", "3", "tank-now", "3.0", Done}, {"tank", "3", "tank-now", "3.000001", Done}, {"tank", "3", "tank-now", "3.0001", Failed},
		{"level-set", "12.4", "tank-now", "12.4", Done}, {"level-set", "12.4", "tank-now", "12.41", Failed},
		{"lamp", "on", "lamp-count", "1", Done}, {"lamp", "on", "lamp-count", "0", Failed}, {"lamp", "off", "lamp-count", "1", Failed},
	} {
		bench(t, onTCP, func(r *rig) {
			r.publish(row.other, row.shows)
			rep := r.set(row.point, row.text)
			if rep.Results[0].Outcome != row.outcome {
				r.Errorf("%s %s, %s shows %s: %s, %s", row.point, row.text, row.other, row.shows, rep.Results[0].Outcome, rep.Results[0].Words)
			}
		})
	}
}

// TestLineGone: the port goes between the look and the write.
func TestLineGone(t *testing.T) {
	bench(t, onRTU, func(r *rig) {
		r.filter = func(request bool, chunk []byte) []fault.Delivery {
			if request && r.isWrite(chunk) {
				return []fault.Delivery{{Act: fault.Rst}}
			}
			return whole(chunk, len(chunk))
		}
		rep := r.set("mode", "1")
		r.ends(rep, Unknown, Sent, "whether it was done is not known")
		if rep.Results[0].Cause != regmap.PortGone {
			r.Errorf("cause %s", rep.Results[0].Cause)
		}
	})
}
