package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/paper"
	"plumbline/simdevice"
)

// consoleHelp is what the console knows; simdevice.Faults does it.
const consoleHelp = `POINT = VALUE                 what reads of the point show, in its units
freeze POINT                  it shows what it shows now
jump POINT by VALUE           up or down by so much, at random
tear POINT                    its first register is one read behind the rest
swap POINT                    its registers come the other way round
span POINT LOW..HIGH          the transmitter is ranged so
wrap POINT, reset POINT       the counter rolls over, begins again at 0
silence [UNIT]                the unit answers nothing
exceptions CODE               it refuses, 01 to 0B
shift by N                    what is asked of an address comes from N further on
outside limit|ignore|accept|refuse    how writes beyond a point's limits are met
clients N                     connections beyond so many are refused
fault RULE                    a rule of faults for answers: fault answers: delay 300ms with 5%
release POINT|unit N|outside|clients|fault|all
list                          what is on
report                        what the panel asked until now
Behind them: for TIME, with P%, on unit N, of function CODE, touching POINT; before them: after TIME.
`

// noticeWithin is how long the console waits for a client to meet a change.
const noticeWithin = time.Minute

// A console puts faults on and takes them off while the station runs, one line
// of input each, and says what a client asked next that met the change, and how
// long that took.
type console struct {
	out    io.Writer
	asJSON bool
	clock  decode.Clock
	faults *simdevice.Faults // set before the first line
	panel  *panelReport      // likewise; nil: none is kept

	mu      sync.Mutex
	waiting []notice
}

// notice is a change that no client has met yet.
type notice struct {
	change simdevice.Change
	line   string
	since  time.Duration // steady
	number int
}

func newConsole(out io.Writer, asJSON bool) *console {
	return &console{out: out, asJSON: asJSON, clock: decode.NewClock()}
}

// attach makes the console work on a station; seed fixes the random choices, 0
// chooses.
func (c *console) attach(s *simdevice.Station, seed uint64) {
	c.faults = simdevice.NewFaults(s, consoleValue, seed, func(line string, err error) { c.say(consoleRow{Line: line, Error: err.Error()}) })
}

// consoleValue reads a value with or without the point's units.
func consoleValue(p *regmap.Point, text string) (regmap.Value, error) {
	if p.Units != "" && p.Type != regmap.TypeString {
		text = strings.TrimSpace(strings.TrimSuffix(text, p.Units))
	}
	return p.Means(text)
}

// consoleRow is one line of the console's output.
type consoleRow struct {
	Line    string   `json:"line"`
	Done    string   `json:"done,omitempty"`
	Error   string   `json:"error,omitempty"`
	Asked   string   `json:"asked,omitempty"`   // the request that met the change first
	Seconds *float64 `json:"seconds,omitempty"` // how long that took
	On      []string `json:"on,omitempty"`
}

// read does the lines of the input until it ends.
func (c *console) read(in io.Reader) {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		c.do(strings.TrimSpace(lines.Text()))
	}
	if err := lines.Err(); errors.Is(err, bufio.ErrTooLong) {
		c.say(consoleRow{Error: "a line of more than 64 KiB ends the console; the station goes on"})
	}
}

// do does one line.
func (c *console) do(text string) {
	switch {
	case text == "" || strings.HasPrefix(text, "#"):
		return
	case text == "help":
		c.mu.Lock()
		defer c.mu.Unlock()
		io.WriteString(c.out, consoleHelp)
		return
	case text == "report" && c.panel != nil:
		c.mu.Lock()
		defer c.mu.Unlock()
		c.panel.write(c.out, c.asJSON, "")
		return
	case text == "list":
		c.say(consoleRow{Line: text, Done: count(len(c.faults.Seen()), "fault") + " on", On: c.faults.Seen()})
		return
	}
	change, err := c.faults.Do(text)
	if err != nil {
		c.say(consoleRow{Line: text, Error: err.Error()})
		return
	}
	c.say(consoleRow{Line: text, Done: change.Words})
	c.await(text, change)
}

// await begins to wait for the request that meets a change.
func (c *console) await(text string, change simdevice.Change) {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := notice{change: change, line: text, since: c.clock().Steady + change.Later}
	if len(c.waiting) > 0 {
		n.number = c.waiting[len(c.waiting)-1].number + 1
	}
	c.waiting = append(c.waiting, n)
	time.AfterFunc(change.Later+noticeWithin, func() { c.giveUp(n.number, text) })
}

// giveUp ends the wait for a request that did not come.
func (c *console) giveUp(number int, text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, n := range c.waiting {
		if n.number == number && n.line == text {
			c.waiting = append(c.waiting[:i], c.waiting[i+1:]...)
			c.write(consoleRow{Line: text, Asked: "nobody asked for it within " + noticeWithin.String()})
			return
		}
	}
}

// observe is told of each exchange of the station.
func (c *console) observe(x *decode.Exchange) {
	if c.panel != nil {
		c.panel.observe(x)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.clock().Steady
	left := c.waiting[:0]
	for _, n := range c.waiting {
		if now < n.since || !n.change.Meets(x) {
			left = append(left, n)
			continue
		}
		took := (now - n.since).Seconds()
		c.write(consoleRow{Line: n.line, Asked: decode.RequestWords(x.Unit, x.Request), Seconds: &took})
	}
	c.waiting = left
}

func (c *console) say(r consoleRow) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.write(r)
}

// write writes a row; the console is locked.
func (c *console) write(r consoleRow) {
	if c.asJSON {
		if text, err := json.Marshal(r); err == nil {
			fmt.Fprintln(c.out, string(text))
		}
		return
	}
	switch {
	case r.Error != "":
		fmt.Fprintf(c.out, "  %s\n", paper.Text(r.Error))
	case r.Seconds != nil:
		fmt.Fprintf(c.out, "  asked %s later: %s   (%s)\n", decode.Seconds(time.Duration(*r.Seconds*1e3)*time.Millisecond), r.Asked, paper.Text(r.Line))
	case r.Asked != "":
		fmt.Fprintf(c.out, "  %s   (%s)\n", r.Asked, paper.Text(r.Line))
	default:
		fmt.Fprintf(c.out, "  %s\n", paper.Text(r.Done))
		for _, on := range r.On {
			fmt.Fprintf(c.out, "    %s\n", paper.Text(on))
		}
	}
}
