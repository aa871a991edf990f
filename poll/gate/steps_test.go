package gate

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/simdevice"
)

// TestWriteOverEveryFraming: a write passes all steps and stands in the
// station, over each framing.
func TestWriteOverEveryFraming(t *testing.T) {
	for _, place := range []string{onTCP, onRTU, onASCII} {
		bench(t, place, func(r *rig) {
			rep := r.set("lead-start", "1.65")
			r.ends(rep, Done, 0, "lead-start of cistern reads 1.650 m")
			if !rep.OK() || r.holds("lead-start") != "1.650" || len(r.changes()) != 1 {
				r.Errorf("%s: %+v, %s, %d changes", place, rep, r.holds("lead-start"), len(r.changes()))
			}
			if want := []string{"begin", "asked", "sending", "outcome"}; !slices.Equal(r.log.events(), want) {
				r.Errorf("log %v, want %v", r.log.events(), want)
			}
		})
	}
}

// TestK1MapAndLineFileMustAllow: what neither map nor line file lets be written
// is refused before anything is asked of the station.
func TestK1MapAndLineFileMustAllow(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("fixed-point", "3"), Refused, May, "has no write for it")
		r.ends(r.set("level", "1.5"), Refused, May, "may not be written")
		r.ends(r.set("twice", "3"), Refused, May, "worked out of other points")
		if len(r.requests) != 0 || len(r.asked) != 0 {
			r.Errorf("%d requests, %d questions", len(r.requests), len(r.asked))
		}
		stranger := r.line.Stations[0]
		rep := r.gate.Write(r.Context(), Job{Wants: []Want{r.wantOf(&stranger, "mode", "1")}})
		r.ends(rep, Refused, May, "no point of a station on this line")
	})
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Refused, May, "does not say `write: true`")
		if len(r.requests) != 0 {
			r.Errorf("%d requests", len(r.requests))
		}
	}, "write: true, ", "")
}

// TestK2TheDeviceIsProven: by a point or an object that is read now.
func TestK2TheDeviceIsProven(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Refused, Device, "serial-no shows 4711, and ")
		r.confirm = func(q Question) (string, error) { return q.Wants, nil }
	}, "value: 4711", "value: 4712")
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Done, 0, "")
		if got := r.shown[0][0].Targets[0].Identity; got != `device identification object 0 is "plumbline"` {
			r.Errorf("identity %q", got)
		}
	}, "point: serial-no, value: 4711", "object: 0, value: plumbline")
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Refused, Device, `object 4 shows "Cistern, bench"`)
	}, "point: serial-no, value: 4711", "object: 4, value: Another")
	bench(t, onTCP, func(r *rig) { // V1.1b3, 6.21: individual access is not for every station
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 0x2B && pdu[2] == frame.DeviceIDObject {
				return append(dst, 0xAB, byte(frame.IllegalDataValue))
			}
			return next(dst, u, pdu)
		}
		r.ends(r.set("mode", "1"), Done, 0, "")
	}, "point: serial-no, value: 4711", "object: 4, value: 'Cistern, bench'")
	bench(t, onTCP, func(r *rig) {
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte { return dst }
		r.ends(r.set("mode", "1"), Refused, Device, "could not be read: no answer within 0.2 s")
	})
}

// TestK2WithoutIdentityItAsksOnceMore: and says why.
func TestK2WithoutIdentityItAsksOnceMore(t *testing.T) {
	const identity = ", identity: {point: serial-no, value: 4711}"
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Done, 0, "")
		if len(r.asked) != 2 || r.asked[1].Wants != "cistern" || !strings.Contains(r.asked[1].Why, "nothing proves that unit 17 is cistern") {
			r.Errorf("%+v", r.asked)
		}
	}, identity, "")
	bench(t, onTCP, func(r *rig) {
		r.confirm = func(Question) (string, error) { return "mode", nil }
		r.ends(r.set("mode", "1"), Refused, Confirmed, "cistern was asked for")
	}, identity, "")
}

// TestK2ReplacedMeanwhile: abuse table B18. The device is another one by the
// time it was confirmed; later writes need the station's name as well.
func TestK2ReplacedMeanwhile(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.confirm = func(q Question) (string, error) {
			r.publish("serial-no", "4712")
			return q.Wants, nil
		}
		r.ends(r.set("mode", "1"), Refused, Device, "serial-no shows 4712")
		r.publish("serial-no", "4711")
		r.asked = nil
		r.confirm = func(q Question) (string, error) { return q.Wants, nil }
		r.ends(r.set("mode", "1"), Done, 0, "")
		if len(r.asked) != 2 || !strings.Contains(r.asked[1].Why, "another identity before") {
			r.Errorf("%+v", r.asked)
		}
	})
}

// TestK3TheMomentIsRight: interlocks good and true, the value known and young.
func TestK3TheMomentIsRight(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.publish("remote", "off")
		r.ends(r.set("lead-start", "1.65"), Refused, Moment, "only when remote is on; it is off")
		r.publish("level", "1.4")
		r.ends(r.set("above", "3"), Refused, Moment, "only when level is 1.5; it is 1.4")
		r.publish("level", "1.5")
		r.publish("remote", "on")
		b := r.station.Bank(17)
		if err := b.Publish(simdevice.Set{Point: r.line.Stations[0].Map.Point("signal"), Value: regmap.IntValue(20)}); err != nil {
			r.Fatal(err)
		}
		r.ends(r.set("signal", "3"), Refused, Moment, "what signal holds now is uncertain: outside the raw span")
	})
	bench(t, onTCP, func(r *rig) { // an interlock that is worked out of others
		r.ends(r.set("when-twice", "3"), Done, 0, "")
		r.publish("lead-start", "1.65")
		r.ends2(r.set("when-twice", "4"), Refused)
	})
	bench(t, onTCP, func(r *rig) { // the interlock cannot be read
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 1 {
				return append(dst, 0x81, 4)
			}
			return next(dst, u, pdu)
		}
		r.ends(r.set("lead-start", "1.65"), Refused, Moment, "remote is on, and that is bad: exception 04")
	})
	bench(t, onTCP, func(r *rig) { // interlocked while the person thought
		r.confirm = func(q Question) (string, error) {
			r.publish("remote", "off")
			return q.Wants, nil
		}
		r.ends(r.set("lead-start", "1.65"), Refused, Moment, "only when remote is on; it is off")
	})
	bench(t, onTCP, func(r *rig) { // the log's disk is slow: the picture grows old
		r.log.blocked = MaxAge + time.Second
		r.ends(r.set("lead-start", "1.65"), Refused, Moment, "is 6 s old, at most 5 s")
	})
	bench(t, onTCP, func(r *rig) { // a late answer put what was read in doubt
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			r.gate.Doubt(link.Doubt{First: decode.ID{}, Last: decode.ID{}})
			return next(dst, u, pdu)
		}
		r.ends(r.set("mode", "1"), Done, 0, "")
	})
	bench(t, onTCP, func(r *rig) {
		x, err := r.link.Ask(r.Context(), 17, frame.Read(regmap.Coil, 0, 1))
		if err != nil {
			r.Fatal(err)
		}
		r.gate.Doubt(link.Doubt{First: x.ID, Last: decode.ID{Source: x.ID.Source, Number: x.ID.Number + 10}})
		r.ends(r.set("mode", "1"), Refused, Moment, "is uncertain: "+regmap.LateDoubt.Words())
	})
}

// TestK4TheValueIsRight: limits, step, type, and nothing is rounded in silence.
func TestK4TheValueIsRight(t *testing.T) {
	for _, row := range []struct{ point, text, says string }{
		{"lead-start", "2.55", "0.5 to 2.5 m"},
		{"lead-start", "0.45", "0.5 to 2.5 m"},
		{"lead-start", "1650", "0.5 to 2.5 m"}, // millimetres by mistake
		{"lead-start", "1.62", "between the steps of 0.05 m"},
		{"lag-start", "1.6005", "cannot hold 1.6005 m"},
		{"lag-start", "40", "beyond what the type can hold"},
		{"dose", "16777217", "cannot hold 16777217 L/h: it would become 16777216 L/h"}, // IEEE 754, binary32: 24 bits
		{"dose", "0.123456789", "cannot hold 0.123456789"},
		{"dose", "1e39", "beyond what the type can hold float32"},
		{"dose", "1e-60", "cannot hold"},
		{"count", "-1", "beyond what the type can hold"},
		{"count", "1.5", "cannot hold 1.5"},
		{"count", "4294967296", "beyond what the type can hold"},
		{"mode", "3", "0 to 2"},
		{"signal", "10.1", "0065, which means: outside its span"},
		{"optional", "65535", "FFFF, which means: "},
		{"name", "FAR TOO LONG", "beyond what the type can hold"},
		{"long", "ABC", "takes 6 items, and one request to this device writes at most 4"},
		{"word.stage", "8", "beyond what the type can hold 3 bits"},
	} {
		bench(t, onTCP, func(r *rig) {
			r.ends(r.set(row.point, row.text), Refused, RightValue, row.says)
			if len(r.asked) != 0 {
				r.Errorf("%s %s: it was asked about", row.point, row.text)
			}
		})
	}
	bench(t, onTCP, func(r *rig) {
		p := r.line.Stations[0].Map.Point("dose")
		for _, v := range []regmap.Value{regmap.FloatValue(math.NaN()), regmap.FloatValue(math.Inf(1)), {}, regmap.TextValue("3"), regmap.BoolValue(true)} {
			rep := r.gate.Write(r.Context(), Job{Wants: []Want{{Station: &r.line.Stations[0], Point: p, Value: v}}})
			r.ends(rep, Refused, RightValue, "dose")
		}
	})
}

// TestK5AllIsShown: before anything is asked, all that the person must know.
func TestK5AllIsShown(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.confirm = func(q Question) (string, error) {
			if len(r.shown) != 1 {
				r.Errorf("asked with %d shown", len(r.shown))
			}
			return q.Wants, nil
		}
		r.ends(r.set("lead-start", "1.65", "dose", "12.4"), Done, 0, "")
		if len(r.shown) != 1 || len(r.shown[0]) != 2 {
			r.Fatalf("shown %+v", r.shown)
		}
		s := r.shown[0][0]
		from := s.Targets[0].From
		if s.Name() != "cistern/lead-start" || s.Place() != "40003 (address 2)" || s.Unit != 17 || As(s.Point, from.Value) != "1.600 m" || As(s.Point, s.To) != "1.650 m" ||
			hex16(from.Raw) != "0640" || hex16(s.RawTo) != "0672" || s.Starts != "Lead pump starts above" || s.Targets[0].Identity != "serial-no is 4711" ||
			s.Request.Function != frame.WriteSingleRegister {
			r.Errorf("%+v", s)
		}
		if d := r.shown[0][1]; !strings.Contains(d.Starts, "the map does not say") || hex16(d.RawTo) != "6666 4146" {
			r.Errorf("%+v", d) // 12.4 is 41466666 in binary32
		}
	})
}

// TestK6Confirmation: by name, young, once, for exactly what was shown.
func TestK6Confirmation(t *testing.T) {
	for typed, says := range map[string]string{"yes": `"yes" was typed, and mode was asked for`, "": "it was not confirmed", "dose": "mode was asked for", "dosing/mode": "mode was asked for"} {
		bench(t, onTCP, func(r *rig) {
			r.confirm = func(Question) (string, error) { return typed, nil }
			r.ends(r.set("mode", "1"), Refused, Confirmed, says)
		})
	}
	bench(t, onTCP, func(r *rig) {
		r.confirm = func(Question) (string, error) { return "mode", errors.New("the terminal is gone") }
		r.ends(r.set("mode", "1"), Refused, Confirmed, "the terminal is gone")
	})
	bench(t, onTCP, func(r *rig) {
		r.confirm = func(q Question) (string, error) { return q.Also, nil }
		r.ends(r.set("mode", "1"), Done, 0, "")
	})
	bench(t, onTCP, func(r *rig) { // the second is typed much later than the first
		r.confirm = func(q Question) (string, error) {
			if q.Wants == "dose" {
				time.Sleep(MaxConsent + time.Second)
			}
			return q.Wants, nil
		}
		r.ends(r.set("mode", "1", "dose", "3"), Refused, Confirmed, "the confirmation is too old: 61 s, at most 60 s")
	})
	bench(t, onTCP, func(r *rig) { // another wrote between look and act
		r.confirm = func(q Question) (string, error) {
			r.publish("mode", "0")
			return q.Wants, nil
		}
		r.ends(r.set("mode", "1"), Refused, Confirmed, "no longer what was shown: mode was automatic and is now hand")
	})
	bench(t, onTCP, func(r *rig) { // the rest of the word changed, and would be sent back
		r.confirm = func(q Question) (string, error) {
			r.publish("whole.tenth", "off")
			return q.Wants, nil
		}
		r.ends(r.set("whole.first", "on"), Refused, Confirmed, "no longer what was shown: the request would be")
	})
	c := consent{of: [32]byte{1}, at: time.Second}
	if err := c.redeem(decode.Stamp{Steady: time.Second}, [32]byte{2}); !errors.Is(err, errChanged) {
		t.Errorf("for something else: %v", err)
	}
	if err := c.redeem(decode.Stamp{Steady: time.Second + MaxConsent}, [32]byte{1}); err != nil {
		t.Errorf("in time: %v", err)
	}
	if err := c.redeem(decode.Stamp{Steady: time.Second}, [32]byte{1}); !errors.Is(err, errUsed) {
		t.Errorf("a second time: %v", err)
	}
}

// TestK7LoggedFirst: the line is on the disk before the station sees anything,
// and without it the station sees nothing.
func TestK7LoggedFirst(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.ends(r.set("mode", "1"), Done, 0, "")
		if c := r.changes(); len(c) != 1 || !slices.Contains(c[0].events, "sending") {
			r.Errorf("%+v", c)
		}
		l := r.log.last("sending")
		for key, want := range map[string]any{"point": "mode", "station": "cistern", "unit": 17.0, "reference": "40010", "address": 9.0,
			"from": "automatic (0002)", "to": "off", "raw_to": "0001", "function": 6.0, "request": "0600090001", "identity": "serial-no is 4711"} {
			if l[key] != want {
				r.Errorf("%s is %v, want %v", key, l[key], want)
			}
		}
		if b := r.log.last("begin"); b["user"] != "technician" || b["line_digest"] != r.line.Digest.String() {
			r.Errorf("%v", b)
		}
	})
	for n := 1; n <= 4; n++ { // begin, asked, sending, outcome
		bench(t, onTCP, func(r *rig) {
			r.log.failAt = n
			rep := r.set("mode", "1")
			if n < 4 {
				r.ends(rep, Refused, Logged, "the audit log cannot be written")
			} else {
				r.ends(rep, Done, 0, "")
			}
			if rep.OK() || !errors.Is(rep.LogError, errFull) {
				r.Errorf("entry %d fails: %v", n, rep.LogError)
			}
		})
	}
	bench(t, onTCP, func(r *rig) {
		r.gate.Log = nil
		r.ends(r.set("mode", "1"), Refused, Logged, "there is no audit log")
	})
}
