package poll_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A cell of the matrix is one fault at one place of one frame, on one medium,
// with one function.
type cell struct {
	row      *faultRow
	medium   cellMedium
	function cellFunction
	pdu      string // of the request that the fault strikes
}

// leastCells keeps the matrix from shrinking unseen.
const leastCells = 9000

const cellUnit = regmap.Unit(17)

// Letters of outcomes: how an exchange ended.
var letters = map[regmap.Cause]byte{
	regmap.NoCause: '.', regmap.Silent: 'S', regmap.CutOff: 'U', regmap.Checksum: 'C', regmap.Mismatch: 'M',
	regmap.Excepted: 'X', regmap.PortGone: 'P', regmap.NoLine: 'L', regmap.NeverQuiet: 'N', regmap.LateDoubt: 'D',
}

const legend = ". right  S silent  U cut off  C checksum  M mismatch  X exception  P port gone  L no line  N never quiet  D doubt  - cannot be"

// A cellOutcome is what came of a cell.
type cellOutcome struct {
	letter    byte // of the exchange that the fault struck
	next      byte // of the exchange right after it
	exchanges int
	good      int
	seen      int // wrong and good, and the client could have known: (a)
	beyond    int // wrong and good, beyond the horizon, and put in doubt: (c)
	faults    []string
}

// script is the cell's faults as a script.
func (c cell) script() (fault.Script, error) {
	n := len(c.medium.adu(1, cellUnit, []byte(c.pdu)))
	if c.row.direction == fault.Answers {
		q, err := frame.ParseRequest([]byte(c.pdu))
		if err != nil {
			return fault.Script{}, err
		}
		n = len(c.medium.adu(1, cellUnit, cellTruth(cellUnit, q)))
	}
	text := strings.NewReplacer("{cut}", fmt.Sprint(c.row.place.cut(n)), "{byte}", fmt.Sprint(c.row.place.of(c.medium, n)),
		"{bit}", fmt.Sprint(8*c.row.place.of(c.medium, n))).Replace(c.row.wire)
	var rules []string
	for rule := range strings.SplitSeq(text, ";") {
		if rule = strings.TrimSpace(rule); rule != "" {
			rules = append(rules, fmt.Sprintf("%s: %s from 2 to 2", c.row.direction, rule))
		}
	}
	s, err := fault.Parse(strings.Join(rules, "\n"))
	s.Seed = 1
	return s, err
}

// play runs a cell: a read that is well, so that the line is known; the
// exchange that the fault strikes; another of the same look at once; and one
// after the horizon, which must be well again.
func (c cell) play(t *testing.T) (out cellOutcome) {
	script, err := c.script()
	if err != nil {
		t.Fatalf("%s: %v", c.row.name, err)
	}
	synctest.Test(t, func(t *testing.T) {
		run, err := script.Start(fault.Framed(c.medium.framing))
		if err != nil {
			t.Fatalf("%s: %v", c.row.name, err)
		}
		far := &farEnd{cell: c, run: run, done: map[string]int{}}
		p := &cellPlay{cell: c, far: far, out: &out}
		p.link, err = link.New(link.Config{
			Name: "Pump house", Dial: far.dial, Framing: c.medium.framing, Serial: c.medium.serial, Gateway: c.medium.gateway,
			Timing: line.Timing{Response: response, Retries: c.row.retries, Turnaround: 100 * time.Millisecond},
			Redial: link.Redial{Random: func() float64 { return 0.5 }},
			Doubt:  p.doubt,
		})
		if err != nil {
			t.Fatal(err)
		}
		p.pass()
		p.link.Close()
		far.shut()
		synctest.Wait()
		if fired := run.Fired(); len(out.faults) == 0 && slices.Contains(fired, 0) {
			out.faults = append(out.faults, fmt.Sprintf("the script never applied: %v", fired))
		}
	})
	return out
}

// A cellPlay is a cell that is being played.
type cellPlay struct {
	cell cell
	far  *farEnd
	link *link.Link
	out  *cellOutcome

	mu     sync.Mutex
	doubts []link.Doubt
	wrong  []*decode.Exchange
}

func (p *cellPlay) doubt(d link.Doubt) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.doubts = append(p.doubts, d)
}

func (p *cellPlay) fault(format string, args ...any) {
	p.out.faults = append(p.out.faults, fmt.Sprintf(format, args...))
}

// pass makes the exchanges of a cell.
func (p *cellPlay) pass() {
	c, f := p.cell, p.cell.function
	if c.row.dial == nil {
		if l, x := p.ask(frame.Read(regmap.HoldingRegister, 9000, 3)); l != '.' {
			p.fault("the line is not well before the fault: %s %s", x.Cause, x.Detail)
			return
		}
	}
	l, x := p.ask(f.make(1))
	p.out.letter = l
	if c.row.code != 0 && x.Response.Exception != c.row.code {
		p.fault("exception %02X came, the station gave %02X", uint8(x.Response.Exception), uint8(c.row.code))
	}
	p.out.next, _ = p.ask(f.make(2))
	const horizon = 3 * response
	time.Sleep(horizon + c.row.kept) // virtual
	for i := range 1 + c.row.patience {
		l, x = p.ask(f.make(3 + i))
		if l == '.' {
			break
		}
	}
	if l != '.' {
		p.fault("not well after the horizon: %s %s", x.Cause, x.Detail)
	}
	time.Sleep(horizon)
	synctest.Wait()
	p.settle()
}

// ask makes an exchange and judges it.
func (p *cellPlay) ask(q frame.Request) (letter byte, x *decode.Exchange) {
	pdu, err := q.Append(nil)
	if err != nil {
		panic(err)
	}
	if q.Changes() {
		x, err = p.link.Change(context.Background(), cellUnit, q, permit.New(cellUnit, pdu))
	} else {
		x, err = p.link.Ask(context.Background(), cellUnit, q)
	}
	if err != nil {
		panic(err)
	}
	synctest.Wait()
	p.out.exchanges++
	letter, known := letters[x.Cause]
	switch {
	case !known:
		p.fault("cause %q is none of the line's", x.Cause)
	case letter != '.' && x.Detail == "":
		p.fault("%s without a word of why", x.Cause)
	case letter == '.':
		p.out.good++
		if !p.right(x, pdu) {
			p.wrong = append(p.wrong, x)
			letter = '!'
		}
	}
	return letter, x
}

// right holds a good answer against the only right one; a write that was
// confirmed must have reached the station.
func (p *cellPlay) right(x *decode.Exchange, pdu []byte) bool {
	got, err := x.Response.Append(nil)
	p.far.mu.Lock()
	defer p.far.mu.Unlock()
	return err == nil && bytes.Equal(got, cellTruth(cellUnit, x.Request)) && p.far.done[string(pdu)] > 0
}

// settle counts what was wrong and good: in doubt by now, or the promise is
// broken.
func (p *cellPlay) settle() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, x := range p.wrong {
		told := slices.ContainsFunc(p.doubts, func(d link.Doubt) bool {
			return d.First.Number <= x.ID.Number && x.ID.Number <= d.Last.Number
		})
		if told && p.cell.row.beyond && !p.cell.medium.mbap() {
			p.out.beyond++
			continue
		}
		p.out.seen++
		p.fault("wrong and good, doubted %v: exchange %d took % x", told, x.ID.Number, x.Received)
	}
}

// The matrix: every fault at every place, in every framing, with every function.
// Each cell ends right or says why not, with a cause of the closed list that the
// row allows; nothing wrong is good; and after the horizon all is well again.
func TestFaultMatrix(t *testing.T) {
	rows := faultRows()
	results := map[string][]byte{}
	var sum cellOutcome
	var cells, cannot int
	var mu sync.Mutex
	t.Run("cells", func(t *testing.T) {
		for _, m := range cellMedia {
			for _, row := range rows {
				key := m.name + "/" + row.title()
				results[key] = bytes.Repeat([]byte{'-'}, len(cellFunctions))
				t.Run(key, func(t *testing.T) {
					t.Parallel()
					for i, f := range cellFunctions {
						pdu, err := f.make(1).Append(nil)
						if err != nil {
							t.Fatal(err)
						}
						c := cell{row: row, medium: m, function: f, pdu: string(pdu)}
						if row.cannot(c) != "" {
							mu.Lock()
							cannot++
							mu.Unlock()
							continue
						}
						out := c.play(t)
						mu.Lock()
						cells++
						results[key][i] = out.letter
						sum.exchanges += out.exchanges
						sum.good += out.good
						sum.seen += out.seen
						sum.beyond += out.beyond
						mu.Unlock()
						for _, f := range out.faults {
							t.Errorf("%s: %s", c.function.code, f)
						}
						if want := row.wants(c); !strings.ContainsRune(want, rune(out.letter)) {
							t.Errorf("%s: ended with %c, want one of %q (the next with %c)", c.function.code, out.letter, want, out.next)
						}
					}
				})
			}
		}
	})
	logMatrix(t, rows, results)
	t.Logf("%d cells, %d that cannot be; %d exchanges, %d good; wrong values called good: (a) %d, (b) 0, as every check sees damage of one place, (c) %d, each doubted",
		cells, cannot, sum.exchanges, sum.good, sum.seen, sum.beyond)
	if cells < leastCells {
		t.Errorf("%d cells; %d are wanted", cells, leastCells)
	}
}

// logMatrix prints the matrix, a table a medium.
func logMatrix(t *testing.T, rows []*faultRow, results map[string][]byte) {
	head := ""
	for _, f := range cellFunctions {
		head += fmt.Sprintf("%02X ", uint8(f.code))
	}
	var b strings.Builder
	for _, m := range cellMedia {
		fmt.Fprintf(&b, "\n%-56s %s\n", m.name, head)
		for _, row := range rows {
			marks := ""
			for i, letter := range results[m.name+"/"+row.title()] {
				marks += fmt.Sprintf(" %c ", letter)
				if letter == '-' && i == len(cellFunctions)-1 {
					marks += " " + row.cannot(cell{row: row, medium: m, function: cellFunctions[i]})
				}
			}
			fmt.Fprintf(&b, "%-56s%s\n", row.title(), marks)
		}
	}
	t.Logf("%s\n%s", legend, b.String())
}
