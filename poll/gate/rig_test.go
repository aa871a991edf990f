package gate

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// benchMap has a point for each way of writing.
const benchMap = `
device: Cistern, bench
limits: {registers: 125, coils: 2000, gap: 16, write-registers: 4}
points:
  serial-no: {holding-register: 0, type: uint32}
  remote: {coil: 0, type: bool, write: {}}
  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, units: m}
  lead-start: {about: Lead pump starts above, holding-register: 2, type: int16, scale: {times: 0.001}, units: m, write: {min: 0.50, max: 2.50, step: 0.05, only-when: {remote: on}}}
  lag-start: {holding-register: 3, type: int16, scale: {times: 0.001}, units: m, write: {function: 16}}
  above: {holding-register: 4, type: uint16, units: m, write: {only-when: {level: 1.5}}}
  dose: {holding-register: 5, type: float32, order: CDAB, units: L/h, write: {}}
  count: {holding-register: 7, type: uint32, write: {}}
  mode: {holding-register: 9, type: uint16, values: {0: hand, 1: off, 2: automatic}, write: {min: 0, max: 2}}
  name: {holding-register: 10, type: string, length: 8, write: {}}
  long: {holding-register: 20, type: string, length: 12, write: {}}
  word: {holding-register: 14, type: bits, bits: {0: first, 1: {name: second, active: 0}, 4-6: {name: stage, values: {0: idle, 3: fast}}}, write: {}}
  whole: {holding-register: 15, type: bits, bits: {0: first, 9: tenth}, write: {by: read-modify-write}}
  wide: {holding-register: 16, type: bits, size: 32, bits: {3: low, 20: high, 14-17: across}, write: {}}
  signal: {holding-register: 18, type: uint16, scale: {raw: [0, 100], value: [0, 10]}, write: {}}
  optional: {holding-register: 19, type: uint16, absent: [0xFFFF], write: {}}
  small: {holding-register: 27, type: int16, scale: {exponent: {holding-register: 26}}, write: {}}
  pump: {about: Starts pump 1, coil: 1, type: bool, write: {read-back: running}}
  valves: {coil: 2, type: bool, write: {function: 15}}
  running: {discrete-input: 0, type: bool}
  speed: {holding-register: 28, type: uint16, scale: {times: 0.1}, units: Hz, write: {read-back: speed-now}}
  speed-now: {input-register: 1, type: uint16, scale: {times: 0.5}, units: Hz}
  reset: {coil: 4, type: bool, write: {hold: 500ms}}
  start: {coil: 5, type: bool, write: {hold: 500ms, read-back: running}}
  fixed-point: {holding-register: 29, type: uint16}
  when-twice: {holding-register: 30, type: uint16, write: {only-when: {twice: 3.2}}}
  rest: {holding-register: 31, type: uint16, absent: [0xFFFF], write: {hold: 1s}}
  code: {holding-register: 32, type: uint16, write: {hold: 1s}}
  tank: {holding-register: 33, type: uint16, units: m, write: {read-back: tank-now}}
  tank-now: {input-register: 2, type: float32, units: m}
  level-set: {holding-register: 34, type: float64, units: m, write: {read-back: tank-now}}
  lamp: {coil: 6, type: bool, write: {read-back: lamp-count}}
  lamp-count: {input-register: 4, type: uint16}
  twice: {derive: 'p("lead-start") * 2', units: m}
simulate:
  points:
    serial-no: {start: 4711}
    remote: {start: true}
    level: {start: 1.5}
    lead-start: {start: 1.6}
    lag-start: {start: 2.0}
    dose: {start: 2.5}
    mode: {start: 2}
    name: {start: EAST}
    whole.tenth: {start: true}
    optional: {start: 7}
    small: {start: 5}
`

const benchLine = `
line: Pump house
PLACE
timing: {response: 200ms, retries: 1}
stations:
  17: {name: cistern, map: bench.yaml, write: true, identity: {point: serial-no, value: 4711}}
`

const (
	onTCP   = "tcp: {host: 192.0.2.10}"
	onRTU   = "serial: {port: /dev/null, baud: 19200}"
	onASCII = "serial: {port: /dev/null, baud: 19200, framing: ascii}"
)

// memory is an audit log in memory; the n-th entry from failAt on fails.
type memory struct {
	mu      sync.Mutex
	lines   []map[string]any
	failAt  int
	blocked time.Duration // how long an entry takes
	then    func(event string)
}

var errFull = errors.New("no space left on device")

func (m *memory) Append(e any) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	time.Sleep(m.blocked)
	m.mu.Lock()
	defer m.mu.Unlock()
	var line map[string]any
	if err := json.Unmarshal(text, &line); err != nil {
		return err
	}
	if m.failAt > 0 && len(m.lines)+1 >= m.failAt {
		return errFull
	}
	m.lines = append(m.lines, line)
	if m.then != nil {
		m.then(line["event"].(string))
	}
	return nil
}

// events are the events of the log, in order.
func (m *memory) events() (all []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.lines {
		all = append(all, l["event"].(string))
	}
	return all
}

// last is the last line of an event; nil when there is none.
func (m *memory) last(event string) (line map[string]any) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.lines {
		if l["event"] == event {
			line = l
		}
	}
	return line
}

// seen is a request as the station saw it.
type seen struct {
	unit   regmap.Unit
	q      frame.Request
	at     time.Duration
	events []string // of the log, then
}

// A rig is a gate, its link and the stations, in one bubble.
type rig struct {
	*testing.T
	gate    *Gate
	line    *line.Line
	link    *link.Link
	station *simdevice.Station
	log     *memory
	clock   decode.Clock

	// What may be changed before a write.
	filter  func(request bool, chunk []byte) []fault.Delivery // nil: nothing is done to frames
	answer  func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte
	confirm func(Question) (string, error)
	dial    link.Dialer
	ours    *fault.End // the link's end

	mu       sync.Mutex
	requests []seen
	shown    [][]Shown
	asked    []Question
	shouts   []string
}

// bench runs a test with a rig in virtual time. Texts are put in place of
// others in the line file, in pairs.
func bench(t *testing.T, place string, body func(r *rig), replace ...string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, place, replace...)
		defer func() {
			r.link.Close()
			synctest.Wait()
		}()
		body(r)
	})
}

func newRig(t *testing.T, place string, replace ...string) *rig {
	t.Helper()
	dir := t.TempDir()
	edit := strings.NewReplacer(append([]string{"PLACE", place}, replace...)...)
	text := edit.Replace(benchLine)
	for name, text := range map[string]string{"bench.yaml": benchMap, "other.yaml": strings.Replace(benchMap, "holding-register: 3,", "holding-register: 40,", 1)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	rep := new(doc.Report)
	l, err := line.Parse(filepath.Join(dir, "line.yaml"), []byte(text), rep, simdevice.Simulate())
	if err != nil || rep.Bad() {
		t.Fatal(err, rep.Err())
	}
	r := &rig{T: t, line: l, log: &memory{}, clock: decode.NewClock()}
	r.confirm = func(q Question) (string, error) { return q.Wants, nil }
	r.dial = r.pipe
	r.station = r.newStation()
	r.link, err = link.New(link.Config{
		Dial: func(ctx context.Context) (link.Stream, error) { return r.dial(ctx) }, Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Clock: r.clock,
		Doubt: func(d link.Doubt) { r.gate.Doubt(d) },
	})
	if err != nil {
		t.Fatal(err)
	}
	r.gate = r.newGate(r.link)
	return r
}

func (r *rig) newGate(k Link) *Gate {
	r.Helper()
	g, err := New(Config{
		Line: r.line, Link: k, Clock: r.clock, Log: r.log, User: "technician", Program: "test",
		Show:    func(s []Shown) { r.shown = append(r.shown, s) },
		Confirm: func(_ context.Context, q Question) (string, error) { r.asked = append(r.asked, q); return r.confirm(q) },
		Shout:   func(s string) { r.shouts = append(r.shouts, s) },
	})
	if err != nil {
		r.Fatal(err)
	}
	return g
}

func (r *rig) newStation() *simdevice.Station {
	banks := map[regmap.Unit]*simdevice.Bank{}
	for _, s := range r.line.Stations {
		b, err := simdevice.NewBank(s.Map)
		if err != nil {
			r.Fatal(err)
		}
		banks[s.Unit] = b
	}
	s, err := simdevice.New(banks, simdevice.Options{
		TCP: r.line.Framing == line.MBAP, Gap: frame.Gap35(r.line.Serial),
		Observe: func(x *decode.Exchange) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.requests = append(r.requests, seen{x.Unit, x.Request, r.clock().Steady, r.log.events()})
		},
		Hooks: simdevice.Hooks{Answer: func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if r.answer != nil {
				return r.answer(dst, u, pdu, next)
			}
			return next(dst, u, pdu)
		}},
	})
	if err != nil {
		r.Fatal(err)
	}
	return s
}

// pipe joins the link to the station.
func (r *rig) pipe(context.Context) (link.Stream, error) {
	ours, theirs := fault.Pipe()
	r.serve(ours, theirs)
	r.ours = ours
	return ours, nil
}

func (r *rig) serve(ours, theirs *fault.End) {
	pass := func(request bool) fault.Filter {
		return fault.FilterFunc(func(chunk []byte) []fault.Delivery {
			if r.filter != nil {
				return r.filter(request, chunk)
			}
			return []fault.Delivery{{Bytes: slices.Clone(chunk)}}
		})
	}
	ours.SetFilter(pass(true))
	theirs.SetFilter(pass(false))
	go r.station.ServeStream(context.Background(), theirs, r.line.Framing)
}

// want is a point of the first station and the value that a text means for it.
func (r *rig) want(point, text string) Want {
	r.Helper()
	return r.wantOf(&r.line.Stations[0], point, text)
}

func (r *rig) wantOf(s *line.Station, point, text string) Want {
	r.Helper()
	p := s.Map.Point(point)
	if p == nil {
		r.Fatalf("the map has no point %s", point)
	}
	v, err := p.Means(text)
	if err != nil {
		r.Fatal(err)
	}
	return Want{Station: s, Point: p, Value: v}
}

// set writes points through the gate: names and texts in turn.
func (r *rig) set(pairs ...string) Report {
	r.Helper()
	var job Job
	for i := 0; i+1 < len(pairs); i += 2 {
		job.Wants = append(job.Wants, r.want(pairs[i], pairs[i+1]))
	}
	rep := r.gate.Write(r.Context(), job)
	synctest.Wait()
	return rep
}

// publish gives a point of the station another value.
func (r *rig) publish(point, text string) {
	r.Helper()
	w := r.want(point, text)
	if err := r.station.Bank(w.Station.Unit).Publish(simdevice.Set{Point: w.Point, Value: w.Value}); err != nil {
		r.Fatal(err)
	}
}

// holds is what a point of the station shows.
func (r *rig) holds(point string) string {
	p := r.line.Stations[0].Map.Point(point)
	return p.Shown(r.station.Bank(r.line.Stations[0].Unit).Value(p))
}

// changes are the requests that change a station, as it saw them.
func (r *rig) changes() (all []seen) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.requests {
		if s.q.Changes() && s.q.Function.Known() { // else it is a piece of a frame, read as one
			all = append(all, s)
		}
	}
	return all
}

// ends compares how the first write ended, and that nothing changed the
// station unless it left.
func (r *rig) ends(rep Report, outcome Outcome, step Step, words string) {
	r.Helper()
	if len(rep.Results) == 0 {
		r.Fatalf("no result")
	}
	one := rep.Results[0]
	if one.Outcome != outcome || one.Step != step || !strings.Contains(one.Words, words) {
		r.Errorf("it ended %s at %q: %s; want %s at %q with %q", one.Outcome, one.Step, one.Words, outcome, step, words)
	}
	if n := len(r.changes()); n > 0 && (outcome == Refused || outcome == NotSent || outcome == Checked) {
		r.Errorf("it ended %s, and the station saw %d changes", outcome, n)
	}
}

// isWrite says whether a frame is one that changes a station.
func (r *rig) isWrite(chunk []byte) bool {
	adu, err := frame.ParseADU(r.line.Framing, chunk)
	if err != nil {
		return false
	}
	q, err := frame.ParseRequest(adu.PDU)
	return err == nil && q.Changes()
}
