package seek

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// serial is a search over a whole serial line.
func serial(f *fake) Config {
	return Config{Open: f.open, Order: SerialOrder("fake", Known{}), Units: every(1, 247), Quiet: 3 * time.Second}
}

// run searches on a fake line and checks what holds of every search.
func run(t *testing.T, f *fake, c Config) *Report {
	t.Helper()
	f.t = t
	r, err := Run(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	synctest.Wait()
	f.settled(c)
	return r
}

func numbers(r *Report) (units []regmap.Unit) {
	for _, u := range r.Units {
		units = append(units, u.Number)
	}
	return units
}

func codes(r *Report) (codes []string) {
	for _, f := range r.Signs {
		codes = append(codes, f.Code+" "+f.Subject)
	}
	return codes
}

// script is a filter of answers from a fault script.
func script(t *testing.T, text string) func() fault.Filter {
	t.Helper()
	s, err := fault.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return func() fault.Filter {
		r, err := s.Start(fault.Framed(line.RTU))
		if err != nil {
			t.Fatal(err)
		}
		return r.Answers()
	}
}

// TestScenarios: each line by what is found on it and what is said of it.
func TestScenarios(t *testing.T) {
	third := rtu(9600, line.None)
	for _, v := range []struct {
		name  string
		line  func(t *testing.T, f *fake)
		with  func(c *Config)
		found *Settings
		end   End
		units []regmap.Unit
		signs []string
	}{
		{name: "the third settings", end: Finished, found: &third, units: []regmap.Unit{17, 40},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = third, stationOf(t, simdevice.Options{}, cistern, 17, 40)
			}},
		{name: "only unit 247", end: Finished, found: ptr(rtu(2400, line.Odd)), units: []regmap.Unit{247},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(2400, line.Odd), stationOf(t, simdevice.Options{}, cistern, 247)
			}},
		{name: "an unusual number", end: Finished, found: ptr(rtu(9600, line.Even)), units: []regmap.Unit{101},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(9600, line.Even), stationOf(t, simdevice.Options{}, cistern, 101)
			}},
		{name: "ascii", end: Finished, found: ptr(Settings{line.ASCII, rtu(9600, line.Even).Serial}), units: []regmap.Unit{2},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = Settings{line.ASCII, rtu(9600, line.Even).Serial}, stationOf(t, simdevice.Options{}, cistern, 2)
			}},
		{name: "exceptions only", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{3}, signs: []string{"refuses-all unit 3"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, farAway, 3)
			}},
		{name: "an adapter that echoes, and a station", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{2}, signs: []string{"adapter-echoes line"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{Hooks: echoing()}, cistern, 2)
				f.wrong = echo
			}},
		{name: "an adapter that echoes, and nothing behind it", end: Finished, signs: []string{"adapter-echoes line", "echo-only line"},
			line: func(t *testing.T, f *fake) { f.wrong = echo }},
		{name: "parity at one end only", end: Finished, signs: []string{"damaged-characters rtu 9600 8N2", "garbage line"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(9600, line.Even), stationOf(t, simdevice.Options{}, cistern, 1, 2)
				f.wrong = f.tolerant
			},
			with: func(c *Config) {
				c.Order = SerialOrder("fake", Known{Parity: line.None, Framing: line.RTU})
			}},
		{name: "two stations with one number, at once", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{2}, signs: []string{"two-stations unit 5"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{Hooks: colliding(5)}, cistern, 2, 5)
			}},
		{name: "two stations with one number, alone on the line", end: Finished, signs: []string{"garbage line"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{Hooks: colliding(10)}, cistern, 10)
			}},
		{name: "two stations with one number, one after the other", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{1}, signs: []string{"two-stations unit 1"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: duplicate after 40ms")
			}},
		{name: "a station that answers late", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{1}, signs: []string{"answers-late unit 1"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: delay 550ms")
			}},
		{name: "answers of another unit", end: Finished, signs: []string{"other-unit line", "stray-answer unit 9"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: answer-as unit 9")
			}},
		{name: "falls over while it is asked for more", end: FellSilent, found: nil, signs: []string{"fell-silent unit 1", "fits-once rtu 19200 8E1"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: drop from 3")
			}},
		{name: "falls over while the others are looked for", end: FellSilent, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{1}, signs: []string{"fell-silent unit 1"},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: drop from 6")
			}},
		{name: "falls over, and the search goes on", end: Finished, found: ptr(rtu(19200, line.Even)), units: []regmap.Unit{1},
			line: func(t *testing.T, f *fake) {
				f.right, f.station = rtu(19200, line.Even), stationOf(t, simdevice.Options{}, cistern, 1)
				f.answers = script(t, "answers: drop from 6")
			},
			with: func(c *Config) { c.GoOn = true }},
		{name: "nobody", end: Finished, line: func(*testing.T, *fake) {}},
	} {
		t.Run(v.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := new(fake)
				v.line(t, f)
				c := serial(f)
				if v.with != nil {
					v.with(&c)
				}
				outlook, err := c.Outlook()
				if err != nil {
					t.Fatal(err)
				}
				r := run(t, f, c)
				if r.End != v.end || !slices.Equal(numbers(r), v.units) {
					t.Errorf("ended %v with units %v, want %v with %v", r.End, numbers(r), v.end, v.units)
				}
				if (r.Found == nil) != (v.found == nil) || r.Found != nil && *r.Found != *v.found {
					t.Errorf("found %v, want %v", r.Found, v.found)
				}
				if !slices.Equal(codes(r), v.signs) {
					t.Errorf("says %q, want %q\n%+v", codes(r), v.signs, r.Signs)
				}
				if most := outlook.Worst + time.Duration(len(r.Units)+len(r.Garbled))*outlook.UnitTime; len(v.signs) == 0 && r.Elapsed > most {
					t.Errorf("took %s, announced %s", r.Elapsed, most)
				}
				if r.AllSilent() != (v.name == "nobody" || strings.HasSuffix(v.name, "nothing behind it")) {
					t.Errorf("all silent: %v", r.AllSilent())
				}
				for _, f := range r.Signs {
					if f.Code == "damaged-characters" && !strings.Contains(f.Do, "the speed is right, the parity is not") {
						t.Errorf("%+v", f)
					}
					if f.Words == "" || f.Do == "" {
						t.Errorf("nothing to do about %+v", f)
					}
				}
				for _, u := range r.Units {
					seen := map[shape]bool{}
					for _, x := range u.Matched {
						seen[shapeOf(x)] = true
					}
					if len(seen) != matches {
						t.Errorf("unit %d is found by %d shapes", u.Number, len(seen))
					}
				}
			})
		})
	}
}

func ptr(s Settings) *Settings { return &s }

// echo sends back what comes.
func echo(_ Settings, end *fault.End) {
	b := make([]byte, 300)
	for {
		n, err := end.Read(b)
		if err != nil {
			return
		}
		end.Write(b[:n])
	}
}

// echoing makes a station's adapter send each request back before its answer.
// A request to nobody is not seen there, so those are silent.
func echoing() simdevice.Hooks {
	var request []byte
	return simdevice.Hooks{
		Answer: func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			request, _ = frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: u, PDU: pdu})
			return next(dst, u, pdu)
		},
		Deliver: func(_ context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error {
			if err := send(request); err != nil {
				return err
			}
			return send(adu)
		},
	}
}

// colliding makes a unit's answers those of two stations at once: the levels
// of both meet on the pair.
func colliding(unit regmap.Unit) simdevice.Hooks {
	dice := rand.New(rand.NewPCG(7, 7))
	return simdevice.Hooks{Deliver: func(_ context.Context, u regmap.Unit, adu []byte, send func([]byte) error) error {
		if u == unit {
			for i := 2; i < len(adu); i++ {
				adu[i] &= byte(dice.Uint32())
			}
		}
		return send(adu)
	}}
}

// TestSecondClient: who else asks is named, at the settings found by listening,
// and not a byte is sent; with Share it is noted and asked.
func TestSecondClient(t *testing.T) {
	for _, right := range []Settings{rtu(19200, line.Even), rtu(9600, line.None)} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{right: right, station: stationOf(t, simdevice.Options{}, cistern, 17)}
			f.other = panel(t, right)
			r := run(t, f, serial(f))
			last := r.Heard[len(r.Heard)-1]
			if r.End != OtherClient || len(f.sent) != 0 || last.Settings != right || r.Found != nil {
				t.Fatalf("%v, %d sent, heard at %v", r.End, len(f.sent), last.Settings)
			}
			words := r.Signs[0].Words
			for _, want := range []string{"unit 18, read input registers (04), every 0.7 s", "another client is at work"} {
				if !strings.Contains(words, want) {
					t.Errorf("%q does not say %q", words, want)
				}
			}
			c := serial(f)
			c.Share = true
			if r := run(t, f, c); r.End != Finished || !r.Shared || r.Found == nil || *r.Found != right {
				t.Errorf("shared: %v, %v, found %v", r.End, r.Shared, r.Found)
			}
		})
	}
}

// panel is another client that asks unit 18, which does not answer here.
func panel(t *testing.T, s Settings) func(context.Context, func([]byte)) {
	t.Helper()
	pdu, err := frame.Read(regmap.InputRegister, 0, 8).Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: s.Framing, Unit: 18, PDU: pdu})
	if err != nil {
		t.Fatal(err)
	}
	return func(ctx context.Context, write func([]byte)) {
		for {
			select {
			case <-time.After(700 * time.Millisecond):
				write(adu)
			case <-ctx.Done():
				return
			}
		}
	}
}

// TestClientThatComesLater: a client that begins while the search is on ends it.
func TestClientThatComesLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{right: rtu(19200, line.Even), station: stationOf(t, simdevice.Options{}, cistern, 1)}
		asks, began := panel(t, f.right), time.Now()
		f.other = func(ctx context.Context, w func([]byte)) {
			asks(ctx, func(b []byte) {
				if time.Since(began) > 10*time.Second {
					w(b)
				}
			})
		}
		r := run(t, f, serial(f))
		if r.End != OtherClient || !slices.Contains(codes(r), "second-client line") || len(r.Units) != 1 || r.Elapsed > 20*time.Second {
			t.Errorf("%v after %s, %q", r.End, r.Elapsed, codes(r))
		}
	})
}

// TestUnexplainedBytes: a pair that chatters by itself is not asked.
func TestUnexplainedBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{right: rtu(19200, line.Even)}
		f.other = func(ctx context.Context, w func([]byte)) {
			dice := rand.New(rand.NewPCG(1, 2))
			for {
				select {
				case <-time.After(100 * time.Millisecond):
					w([]byte{byte(dice.Uint32()), byte(dice.Uint32()), 0, 0xFF})
				case <-ctx.Done():
					return
				}
			}
		}
		r := run(t, f, serial(f))
		if r.End != Unexplained || len(f.sent) != 0 || len(r.Heard) != len(SerialOrder("", Known{})) || !slices.Equal(codes(r), []string{"unasked-bytes line"}) {
			t.Errorf("%v, %d sent, listened at %d, %q", r.End, len(f.sent), len(r.Heard), codes(r))
		}
	})
}

// TestStuckDriver: C2. A line that is never silent is not asked; who insists is
// told what it is, and no request leaves.
func TestStuckDriver(t *testing.T) {
	for _, share := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{right: rtu(19200, line.Even)}
			f.other = func(ctx context.Context, w func([]byte)) {
				for {
					select {
					case <-time.After(2 * time.Millisecond):
						w([]byte{0})
					case <-ctx.Done():
						return
					}
				}
			}
			c := serial(f)
			c.Order, c.Units, c.Share = c.Order[:1], every(1, 3), share
			r := run(t, f, c)
			end, sign := Unexplained, "unasked-bytes line"
			if share {
				end, sign = Finished, "never-silent line"
			}
			if r.End != end || len(f.sent) != 0 || !slices.Contains(codes(r), sign) || r.AllSilent() {
				t.Errorf("share %v: %v, %d sent, %q", share, r.End, len(f.sent), codes(r))
			}
		})
	}
}

// TestRandomBytesAreNeverFound: C14. Random bytes, and a frame that fits once,
// are no unit, whatever they are asked.
func TestRandomBytesAreNeverFound(t *testing.T) {
	for seed := range uint64(40) {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{wrong: noisy(rand.New(rand.NewPCG(seed, 9)), 12)}
			c := serial(f)
			c.Order, c.All = c.Order[:8], true
			if r := run(t, f, c); r.Found != nil || len(r.Units) > 0 || r.AllSilent() || !slices.Contains(codes(r), "garbage line") {
				t.Errorf("seed %d: found %v, %v, %q", seed, r.Found, numbers(r), codes(r))
			}
		})
	}
	for _, stuck := range [][]byte{{1, 0x83, 2}, {1, 3, 2, 0, 7}} {
		synctest.Test(t, func(t *testing.T) {
			check := frame.CRC(stuck)
			whole := append(slices.Clone(stuck), byte(check), byte(check>>8))
			f := &fake{wrong: func(_ Settings, end *fault.End) {
				b := make([]byte, 300)
				for {
					if _, err := end.Read(b); err != nil {
						return
					}
					end.Write(whole)
				}
			}}
			r := run(t, f, serial(f))
			if r.Found != nil || len(r.Units) > 0 || !slices.Contains(codes(r), "fits-once rtu 19200 8E1") {
				t.Errorf("% X: found %v, %v, %q", whole, r.Found, numbers(r), codes(r))
			}
		})
	}
}

// TestStopsAtOnce: after a unit fell silent it is asked once more, and that is
// the last request.
func TestStopsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{right: rtu(19200, line.Even), station: stationOf(t, simdevice.Options{}, cistern, 1)}
		f.answers = script(t, "answers: drop from 3")
		r := run(t, f, serial(f))
		if r.End != FellSilent || r.Fallen != 1 || len(f.sent) != 4 {
			t.Errorf("%v, unit %d, %d requests; two were answered and two not", r.End, r.Fallen, len(f.sent))
		}
	})
}

// TestNetwork: MBAP, RTU inside it, a gateway, and a device that ignores the
// number.
func TestNetwork(t *testing.T) {
	refusing := func(e frame.Exception, but regmap.Unit) simdevice.Hooks {
		return simdevice.Hooks{Answer: func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if u == but {
				return next(dst, u, pdu)
			}
			return append(dst, pdu[0]|0x80, byte(e))
		}}
	}
	for _, v := range []struct {
		name    string
		framing line.Framing
		hooks   simdevice.Hooks
		has     []regmap.Unit
		units   []regmap.Unit
		signs   []string
		ignores bool
	}{
		{name: "mbap", framing: line.MBAP, has: []regmap.Unit{17, 20}, units: []regmap.Unit{17, 20}},
		{name: "rtu inside", framing: line.RTU, has: []regmap.Unit{17}, units: []regmap.Unit{17}},
		{name: "ascii inside", framing: line.ASCII, has: []regmap.Unit{17}, units: []regmap.Unit{17}},
		{name: "gateway", framing: line.MBAP, has: every(1, 247), hooks: refusing(frame.GatewayTargetDeviceFailedToRespond, 40), units: []regmap.Unit{40}},
		{name: "gateway with nobody", framing: line.MBAP, has: every(1, 247), hooks: refusing(frame.GatewayPathUnavailable, 0), signs: []string{"gateway-no-path line"}},
		{name: "itself", framing: line.MBAP, has: []regmap.Unit{17, 255}, units: []regmap.Unit{255, 17}, signs: []string{"same-device unit 255"}},
		{name: "number ignored", framing: line.MBAP, has: every(1, 247), units: []regmap.Unit{1}, ignores: true, signs: []string{"number-ignored unit 1"}},
	} {
		t.Run(v.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fake{right: Settings{Framing: v.framing}, station: stationOf(t, simdevice.Options{Hooks: v.hooks}, cistern, v.has...)}
				c := Config{Open: f.open, Order: NetworkOrder(0), Units: append(every(1, 247), 255), Quiet: 3 * time.Second}
				r := run(t, f, c)
				if r.End != Finished || !slices.Equal(numbers(r), v.units) || r.Ignores != v.ignores || !slices.Equal(codes(r), v.signs) {
					t.Errorf("%v, units %v, ignores %v, %q", r.End, numbers(r), r.Ignores, codes(r))
				}
				if v.units != nil && (r.Found == nil || r.Found.Framing != v.framing) {
					t.Errorf("found %v", r.Found)
				}
			})
		})
	}
}

// TestClosingDevice: a device that closes the connection at each number that is
// not its own is found all the same.
func TestClosingDevice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{right: Settings{Framing: line.MBAP}}
		f.station = stationOf(t, simdevice.Options{Hooks: simdevice.Hooks{Deliver: func(_ context.Context, u regmap.Unit, adu []byte, send func([]byte) error) error {
			if u != 40 {
				return errNoPort
			}
			return send(adu)
		}}}, cistern, every(1, 247)...)
		c := Config{Open: f.open, Order: NetworkOrder(line.MBAP), Units: every(1, 60), Quiet: 3 * time.Second}
		r := run(t, f, c)
		if r.End != Finished || !slices.Equal(numbers(r), []regmap.Unit{40}) || r.Tried[0].Seen[Hangup] < 58 {
			t.Errorf("%v, %v, %v", r.End, numbers(r), r.Tried[0].Seen)
		}
	})
}

// TestLineLost: when the port goes and does not come back, the search ends and
// keeps what it found.
func TestLineLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gone := false
		f := &fake{right: rtu(19200, line.Even), station: stationOf(t, simdevice.Options{}, cistern, 1)}
		f.answers = script(t, "answers: close rst from 6")
		f.cannot = func(Settings) error {
			if gone {
				return errNoPort
			}
			return nil
		}
		c := serial(f)
		c.Progress = func(p Progress) { gone = p.Requests >= 5 }
		r := run(t, f, c)
		if r.End != LineLost || !slices.Equal(numbers(r), []regmap.Unit{1}) || !slices.Contains(codes(r), "line-lost line") || r.Elapsed > time.Minute {
			t.Errorf("%v after %s, %v, %q", r.End, r.Elapsed, numbers(r), codes(r))
		}
	})
}

// TestCannotOpen: without any stream there is no report but the first reason.
func TestCannotOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{cannot: func(Settings) error { return errNoPort }}
		if r, err := Run(t.Context(), serial(f)); !errors.Is(err, errNoPort) || r != nil || err.Error() != errNoPort.Error() {
			t.Errorf("%v, %v", r, err)
		}
		// One setting that the port does not take is passed over.
		f = &fake{right: rtu(9600, line.Even), station: stationOf(t, simdevice.Options{}, cistern, 1)}
		f.cannot = func(at Settings) error {
			if at.Serial.Baud == 19200 {
				return errNoPort
			}
			return nil
		}
		if r := run(t, f, serial(f)); r.Found == nil || *r.Found != f.right || r.Tried[0].Closed == "" {
			t.Errorf("%+v", r)
		}
	})
}

// TestInterrupted: the report of a search that was stopped tells what was found.
func TestInterrupted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{t: t, right: rtu(19200, line.Even), station: stationOf(t, simdevice.Options{}, cistern, 1)}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		r, err := Run(ctx, serial(f))
		if err != nil || r.End != Interrupted || r.Found == nil || r.Whole || r.AllSilent() || r.Elapsed > 21*time.Second {
			t.Errorf("%+v, %v", r, err)
		}
		ctx, cancel = context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if r, err := Run(ctx, serial(f)); err != nil || r.End != Interrupted || r.Requests != 0 {
			t.Errorf("while listening: %+v, %v", r, err)
		}
	})
}

// TestConfigIsChecked: each thing missing is told.
func TestConfigIsChecked(t *testing.T) {
	f := &fake{t: t}
	for i, spoil := range []func(*Config){
		func(c *Config) { c.Open = nil }, func(c *Config) { c.Order = nil }, func(c *Config) { c.Units = nil },
		func(c *Config) { c.Scan = &Scan{First: 9, Last: 8} },
	} {
		c := serial(f)
		spoil(&c)
		if _, err := Run(t.Context(), c); !errors.Is(err, ErrConfig) {
			t.Errorf("%d: %v", i, err)
		}
		if _, err := c.Outlook(); !errors.Is(err, ErrConfig) {
			t.Errorf("%d: %v", i, err)
		}
	}
}

// TestProgress: what is left shrinks to nothing, and never goes below.
func TestProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		c := serial(f)
		var told []Progress
		c.Progress = func(p Progress) { told = append(told, p) }
		r := run(t, f, c)
		first, last := told[1], told[len(told)-1]
		if len(told) != r.Requests+1 || first.Left < r.Elapsed/2 || last.Left > 2*time.Second {
			t.Errorf("%d told of %d requests, from %+v to %+v in %s", len(told), r.Requests, first, last, r.Elapsed)
		}
		for _, p := range told {
			if p.Left < 0 {
				t.Fatalf("%+v", p)
			}
		}
	})
}

// TestOrder: the beginning is the standard's settings and the next likely ones;
// all are there once; what is known narrows them.
func TestOrder(t *testing.T) {
	order := SerialOrder("fake", Known{})
	var names []string
	for _, s := range order {
		names = append(names, s.String())
	}
	want := "rtu 19200 8E1, rtu 9600 8E1, rtu 9600 8N2, rtu 19200 8N2, rtu 38400 8E1"
	if got := strings.Join(names[:5], ", "); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	slices.Sort(names)
	if n := len(slices.Compact(slices.Clone(names))); n != len(names) || n != 2*8*3 {
		t.Errorf("%d of %d are different", n, len(names))
	}
	for _, v := range []struct {
		known Known
		first string
		n     int
	}{
		{Known{Framing: line.ASCII, Baud: 9600}, "ascii 9600 7E1", 3},
		{Known{Baud: 300}, "rtu 300 8E1", 6},
		{Known{Parity: line.None, Stop: 1, Framing: line.RTU}, "rtu 9600 8N1", 8},
		{Known{First: ptr(rtu(4800, line.Odd))}, "rtu 4800 8O1", 48},
		{Known{Baud: 9600, Parity: line.Odd, Framing: line.RTU}, "rtu 9600 8O1", 1},
	} {
		if got := SerialOrder("fake", v.known); len(got) != v.n || got[0].String() != v.first {
			t.Errorf("%+v: %d, first %v", v.known, len(got), got[0])
		}
	}
	if got := fmt.Sprint(NetworkOrder(0)); got != "[mbap rtu inside a network ascii inside a network]" || len(NetworkOrder(line.RTU)) != 1 {
		t.Error(got)
	}
}
