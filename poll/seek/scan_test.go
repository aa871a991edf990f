package seek

import (
	"fmt"
	"slices"
	"testing"
	"testing/synctest"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// scanned searches one unit for addresses.
func scanned(t *testing.T, text string, scan Scan, hooks simdevice.Hooks) (*Unit, *fake) {
	t.Helper()
	f := &fake{right: rtu(19200, line.Even), station: stationOf(t, simdevice.Options{Hooks: hooks}, text, 17)}
	c := Config{Open: f.open, Order: []Settings{f.right}, Units: []regmap.Unit{17}, Scan: &scan}
	r := run(t, f, c)
	if len(r.Units) != 1 || r.End != Finished {
		t.Fatalf("%v, %v", r.End, numbers(r))
	}
	return r.Units[0], f
}

func ranges(spans []regmap.Span) string {
	text := ""
	for _, s := range spans {
		text += fmt.Sprintf("%d-%d ", s.First, s.Last())
	}
	return text
}

// TestScanFindsRanges: where answers are, exactly, with the requests told
// beforehand; the map is the truth.
func TestScanFindsRanges(t *testing.T) {
	text := "device: Cistern\nlimits: {registers: 60, gap: 0}\npoints:\n"
	add := func(table string, first, last int) {
		for a := first; a <= last; a++ {
			kind := ", type: uint16"
			if table == "coil" || table == "discrete-input" {
				kind = ""
			}
			text += fmt.Sprintf("  %s-%d: {%s: %d%s}\n", table, a, table, a, kind)
		}
	}
	add("holding-register", 0, 11)
	add("holding-register", 20, 24)
	add("holding-register", 100, 249)
	add("input-register", 300, 300)
	add("coil", 0, 4)
	synctest.Test(t, func(t *testing.T) {
		u, _ := scanned(t, text, Scan{First: 0, Last: 399, Requests: 1000}, simdevice.Hooks{})
		want := map[regmap.Table]string{regmap.HoldingRegister: "0-11 20-24 100-249 ", regmap.InputRegister: "300-300 ", regmap.Coil: "0-4 ", regmap.DiscreteInput: ""}
		for _, s := range u.Tables {
			if got := ranges(s.Answers); got != want[s.Table] || len(s.Open) > 0 {
				t.Errorf("%v: %s, open %s, want %s", s.Table, got, ranges(s.Open), want[s.Table])
			}
			if s.Table == regmap.HoldingRegister && s.Limit != 60 {
				t.Errorf("the most at a time is %d, want 60", s.Limit)
			}
			t.Logf("%v: %d requests", s.Table, s.Requests)
		}
	})
}

// TestScanKeepsItsBound: no more requests than told, and what was not looked
// into is said, so that all of the range is accounted for.
func TestScanKeepsItsBound(t *testing.T) {
	for _, bound := range []int{1, 2, 7, 60} {
		synctest.Test(t, func(t *testing.T) {
			u, f := scanned(t, cistern, Scan{First: 0, Last: 999, Requests: bound}, simdevice.Hooks{})
			asked := map[frame.Function]int{}
			for _, w := range f.sent {
				asked[frame.Function(w.bytes[1])]++
			}
			if len(u.Tables) != len(tables) {
				t.Fatalf("%d tables", len(u.Tables))
			}
			for _, s := range u.Tables {
				if s.Requests > bound {
					t.Errorf("%v: %d requests, at most %d", s.Table, s.Requests, bound)
				}
				if s.Table == regmap.HoldingRegister {
					if n := asked[frame.ReadHoldingRegisters]; n > bound+2 { // the two that found it
						t.Errorf("%d requests were sent, at most %d", n, bound+2)
					}
					if bound == 60 && ranges(s.Answers) != "0-2 " || len(s.Open) == 0 {
						t.Errorf("bound %d: %s, open %s", bound, ranges(s.Answers), ranges(s.Open))
					}
				}
				for _, o := range s.Open {
					for _, a := range s.Answers {
						if o.Overlaps(a) {
							t.Errorf("%v: %v answers and is open as %v", s.Table, a, o)
						}
					}
				}
			}
		})
	}
}

// TestScanOfATableThatIsNotThere takes one request.
func TestScanOfATableThatIsNotThere(t *testing.T) {
	hooks := simdevice.Hooks{Answer: func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
		if f := frame.Function(pdu[0]); f == frame.ReadCoils || f == frame.ReadDiscreteInputs {
			return append(dst, pdu[0]|0x80, byte(frame.IllegalFunction))
		}
		return next(dst, u, pdu)
	}}
	synctest.Test(t, func(t *testing.T) {
		u, _ := scanned(t, cistern, Scan{First: 65000, Last: 65535}, hooks)
		for _, s := range u.Tables {
			if bits := s.Table.Bits(); s.Absent != bits || bits && s.Requests != 1 {
				t.Errorf("%v: absent %v after %d requests", s.Table, s.Absent, s.Requests)
			}
		}
	})
}

// TestCard: what a unit says of itself is on its card.
func TestCard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u, _ := scanned(t, cistern, Scan{First: 0, Last: 0}, simdevice.Hooks{})
		i := slices.IndexFunc(u.Identified, func(o link.Object) bool { return o.ID == 1 })
		if i < 0 || len(u.Identified[i].Value) == 0 || len(u.First().Sent) == 0 || !u.First().Answered() {
			t.Errorf("%+v", u)
		}
	})
}
