package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

func loadMap(t rapid.TB, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\n"+text), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

func onLine(m *regmap.Map, l line.Line) *line.Line { return line.Single(l, m, 17) }

var tcp = line.Line{Medium: line.TCP, Framing: line.MBAP, Host: "h", Port: 502}

// shape is the requests in short: "holding-register 0+5".
func shape(p Plan) (out []string) {
	for _, r := range p.Requests {
		out = append(out, fmt.Sprintf("%s %d+%d", r.Span.Table, r.Span.First, r.Span.Count))
	}
	return out
}

func TestRequestsGrowWithinLimits(t *testing.T) {
	for _, v := range []struct{ name, text, want string }{
		{"neighbours", "points: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: float32}}", "holding-register 0+3"},
		{"no gap", "points: {a: {holding-register: 0, type: uint16}, b: {holding-register: 2, type: uint16}}", "holding-register 0+1, holding-register 2+1"},
		{"gap bridged", "limits: {gap: 1}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 2, type: uint16}}", "holding-register 0+3"},
		{"hole", "limits: {gap: 3}\nholes: {holding-register: [1]}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 2, type: uint16}}", "holding-register 0+1, holding-register 2+1"},
		{"limit", "limits: {registers: 2}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: uint32}}", "holding-register 0+1, holding-register 1+2"},
		{"tables apart, in their order", "points: {a: {holding-register: 0, type: uint16}, b: {input-register: 0, type: uint16}, c: {coil: 5}}", "coil 5+1, input-register 0+1, holding-register 0+1"},
		{"order of the file does not matter", "points: {a: {holding-register: 5, type: uint16}, b: {holding-register: 4, type: uint16}}", "holding-register 4+2"},
		{"overlay inside", "points: {a: {holding-register: 0, type: uint64}, b: {holding-register: 1, type: uint16, overlay: true}}", "holding-register 0+4"},
		{"periods apart", "points: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: uint16, every: 10s}}", "holding-register 0+1, holding-register 1+1"},
		{"slower inside rides along", "points: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: uint16, every: 10s}, c: {holding-register: 2, type: uint16}}\nlimits: {gap: 1}", "holding-register 0+3"},
		{"faster inside does not", "points: {a: {holding-register: 0, type: uint16, every: 10s}, b: {holding-register: 1, type: uint16}, c: {holding-register: 2, type: uint16, every: 10s}}", "holding-register 0+3, holding-register 1+1"},
		{"end of the table", "points: {a: {holding-register: 65535, type: uint16}, b: {holding-register: 65534, type: uint16}}", "holding-register 65534+2"},
		{"together", "limits: {gap: 9}\npoints: {a: {holding-register: 5, type: uint16, together: x}, b: {holding-register: 0, type: uint16}, c: {holding-register: 2, type: uint16, together: x}, d: {holding-register: 9, type: uint16}}", "holding-register 0+10"},
		{"together is not split", "limits: {registers: 4, gap: 2}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 2, type: uint16, together: x}, c: {holding-register: 4, type: uint16, together: x}}", "holding-register 0+1, holding-register 2+3"},
		{"exponent with its point", "limits: {registers: 3, gap: 2}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: int16, scale: {exponent: {holding-register: 3}}}}", "holding-register 0+1, holding-register 1+3"},
		{"changes by being read", "limits: {gap: 9}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: uint16, changes-on-read: true}, c: {holding-register: 2, type: uint16}}", "holding-register 0+1, holding-register 1+1, holding-register 2+1"},
		{"bits begin a byte each eight", "limits: {coils: 9, gap: 7}\npoints: {a: {coil: 0}, b: {coil: 8}, c: {coil: 15}}", "coil 0+1, coil 8+8"},
		{"bits", "limits: {coils: 3, gap: 1}\npoints: {a: {coil: 0}, b: {coil: 2}, c: {coil: 3}}", "coil 0+3, coil 3+1"},
	} {
		if got := strings.Join(shape(For(onLine(loadMap(t, v.text), tcp), new(Learnt))), ", "); got != v.want {
			t.Errorf("%s: %s, want %s", v.name, got, v.want)
		}
	}
}

// TestCost against the serial arithmetic of a read of 10 and of 125 registers,
// gaps included. Source: serial guide V1.02, 2.5.1.1 (11 bits a character, 3.5
// characters, 1.750 ms above 19200), computed.
func TestCost(t *testing.T) {
	for _, v := range []struct {
		baud     int
		ten, all float64 // ms
	}{
		{1200, 366.7, 2475.0}, {2400, 183.3, 1237.5}, {4800, 91.7, 618.8}, {9600, 45.8, 309.4},
		{19200, 22.9, 154.7}, {38400, 13.0, 78.8}, {57600, 9.8, 53.7}, {115200, 6.7, 28.6},
	} {
		l := &line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("p")}
		l.Serial.Baud = v.baud
		for count, want := range map[int]float64{10: v.ten, 125: v.all} {
			got := Cost(l, &line.Station{}, regmap.Span{Table: regmap.HoldingRegister, Count: count})
			if ms := got.Seconds() * 1000; math.Abs(ms-want) > 0.0501 {
				t.Errorf("%d registers at %d: %.3f ms, want %.1f", count, v.baud, ms, want)
			}
		}
	}
	s := &line.Station{Timing: line.Timing{Latency: 20 * time.Millisecond, Pause: 5 * time.Millisecond}}
	coils := regmap.Span{Table: regmap.Coil, Count: 9}
	// ASCII 7E1 at 9600: 10 bits a character, 17 asked and 11 + 2 x 2 answered, no gap.
	ascii := &line.Line{Medium: line.SerialPort, Framing: line.ASCII, Serial: line.Serial{Baud: 9600, Parity: line.Even, Stop: 1}}
	if got, want := Cost(ascii, s, coils), 32*10*time.Second/9600+25*time.Millisecond; (got - want).Abs() > time.Microsecond {
		t.Errorf("ASCII: %v, want %v", got, want)
	}
	if got, want := Cost(&tcp, s, coils), 20*time.Millisecond+8*23*10*time.Nanosecond; got != want {
		t.Errorf("TCP: %v, want %v", got, want)
	}
	if got, want := Cost(&tcp, &line.Station{}, coils), time.Millisecond+8*23*10*time.Nanosecond; got != want {
		t.Errorf("TCP, no latency given: %v, want %v", got, want)
	}
}

// TestTie: of sets that cost the same the one with the fewest requests is
// taken. In ASCII 28 characters of a request weigh as much as seven registers.
func TestTie(t *testing.T) {
	ascii := line.Line{Medium: line.SerialPort, Framing: line.ASCII, Serial: line.DefaultSerial("p")}
	for b, want := range map[int]int{8: 1, 9: 2} {
		m := loadMap(t, fmt.Sprintf("limits: {gap: 9}\npoints: {a: {holding-register: 0, type: uint16}, b: {holding-register: %d, type: uint16}}", b))
		if got := shape(For(onLine(m, ascii), new(Learnt))); len(got) != want {
			t.Errorf("registers 0 and %d: %v, want %d requests", b, got, want)
		}
	}
}

func TestLearnt(t *testing.T) {
	l := onLine(loadMap(t, "points: {a: {holding-register: 0, type: uint16}, b: {holding-register: 1, type: uint16}, c: {holding-register: 2, type: uint16}, d: {holding-register: 3, type: uint16}}"), tcp)
	learnt := new(Learnt)
	learnt.Cut(17, regmap.HoldingRegister, 2)
	if got := shape(For(l, learnt)); !slices.Equal(got, []string{"holding-register 0+2", "holding-register 2+2"}) {
		t.Errorf("cut at 2: %v", got)
	}
	b := l.Stations[0].Map.Point("b")
	learnt.Refuse(17, b)
	if got := shape(For(l, learnt)); !slices.Equal(got, []string{"holding-register 0+1", "holding-register 2+2"}) {
		t.Errorf("b refused: %v", got)
	}
	learnt.Allow(17, b)
	learnt.Cut(18, regmap.HoldingRegister, 1)
	if got := shape(For(l, learnt)); len(got) != 2 {
		t.Errorf("another unit's cut: %v", got)
	}
	learnt = new(Learnt)
	for _, n := range []int{3, 1, 2} { // the least holds
		learnt.Limit(17, regmap.HoldingRegister, n)
	}
	learnt.Limit(17, regmap.Coil, 1)
	if got := shape(For(l, learnt)); len(got) != 4 {
		t.Errorf("one register at a time: %v", got)
	}
	learnt = new(Learnt)
	learnt.Limit(17, regmap.HoldingRegister, 3)
	if got := shape(For(l, learnt)); !slices.Equal(got, []string{"holding-register 0+3", "holding-register 3+1"}) {
		t.Errorf("three registers at a time: %v", got)
	}
	if r := Alone(&l.Stations[0], b); r.Span != b.Span() || r.Frame().Quantity != 1 {
		t.Errorf("alone: %v", r.Span)
	}
}

// TestEveryPointOnceWithinLimits: whatever the map, each point is read by
// exactly one request, whole, and no request breaks a limit.
func TestEveryPointOnceWithinLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gap, most := rapid.IntRange(0, 6).Draw(t, "gap"), rapid.IntRange(4, 40).Draw(t, "registers")
		text, at := fmt.Sprintf("limits: {gap: %d, registers: %d}\npoints:\n", gap, most), 0
		types := []string{"uint16", "float32", "float64"}
		widths := []int{1, 2, 4}
		for i := range rapid.IntRange(1, 30).Draw(t, "points") {
			at += rapid.IntRange(0, 9).Draw(t, "distance")
			kind := rapid.IntRange(0, 2).Draw(t, "type")
			text += fmt.Sprintf("  p%d: {input-register: %d, type: %s}\n", i, at, types[kind])
			at += widths[kind]
		}
		l := onLine(loadMap(t, text), tcp)
		seen := map[string]int{}
		var sum time.Duration
		p := For(l, new(Learnt))
		for _, r := range p.Requests {
			if r.Span.Count > most || r.Span.End() > regmap.TableSize {
				t.Fatalf("%v breaks a limit", r.Span)
			}
			end := int(r.Span.First)
			for _, point := range r.Points() {
				seen[point.Name]++
				if int(point.Address)-end > gap || int(point.Address) < int(r.Span.First) || point.Span().End() > r.Span.End() {
					t.Fatalf("%s at %v in %v", point.Name, point.Span(), r.Span)
				}
				end = max(end, point.Span().End())
			}
			if end != r.Span.End() || !l.Stations[0].Map.Layout().Answers(r.Span) {
				t.Fatalf("%v: a station would refuse it", r.Span)
			}
			sum += r.Cost
		}
		if sum != p.Cycle {
			t.Fatalf("cycle %v, requests %v", p.Cycle, sum)
		}
		for point := range l.Stations[0].Map.Readings {
			if seen[point.Name] != 1 {
				t.Fatalf("%s is read %d times", point.Name, seen[point.Name])
			}
		}
	})
}
