package poll_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A cellPlace is where in a frame a fault strikes.
type cellPlace string

const (
	whole  cellPlace = ""
	start  cellPlace = "start"
	middle cellPlace = "middle"
	end    cellPlace = "end"
)

var cellPlaces = []cellPlace{start, middle, end}

// of is the byte of a frame of n: of the header with MBAP, whose data no check
// of its own guards; the last before the end mark in ASCII.
func (p cellPlace) of(m cellMedium, n int) int {
	switch {
	case p == start:
		return 0 // the transaction, the unit, the colon
	case m.mbap() && p == middle:
		return 3 // the protocol
	case m.mbap():
		return 5 // the length
	case p == middle:
		return n / 2
	case m.framing == line.ASCII:
		return n - 3
	}
	return n - 1
}

// cut is how many bytes of n are left.
func (p cellPlace) cut(n int) int {
	return map[cellPlace]int{start: 1, middle: n / 2, end: n - 1}[p]
}

// A faultRow is a row of the matrix. wire is a script's verbs, which strike one
// frame of a direction; forge makes other bytes of the station's answer to it.
type faultRow struct {
	name      string
	place     cellPlace
	direction fault.Direction
	wire      string                         // {cut}, {byte} and {bit} are those of the place
	forge     func(f forging) (all [][]byte) // the chunks that are written instead
	always    bool                           // forge makes every answer
	dial      func(context.Context) error    // what the first attempt to open does
	retries   int
	kept      time.Duration // the connection is reset so long after it was opened, as keep-alive does
	patience  int           // more tries until all is well again
	beyond    bool          // without transactions more answers come than were asked for, or beyond the horizon
	code      frame.Exception

	want   string                    // the letters with which a cell may end
	on     map[string]string         // ... on one medium or in one framing
	writes string                    // ... of writes, where they differ
	open   string                    // ... of answers whose length nothing foretells in RTU
	not    func(c cell) (why string) // why a cell cannot be; empty where it can
}

func (r *faultRow) title() string {
	s := r.name
	if r.place != whole {
		s += ", " + string(r.place)
	}
	if r.wire != "" {
		s += " (" + r.direction.String() + ")"
	}
	return s
}

// wants are the letters with which a cell may end.
func (r *faultRow) wants(c cell) string {
	if s, ok := r.on[c.medium.name]; ok {
		return s
	}
	if s, ok := r.on[c.medium.framing.String()]; ok {
		return s
	}
	q, err := frame.ParseRequest([]byte(c.pdu))
	if err != nil {
		return ""
	}
	if q.Changes() && r.writes != "" {
		return r.writes
	}
	if _, exact := frame.AnswerLength(q); !exact && c.medium.framing == line.RTU && r.open != "" {
		return r.open
	}
	return r.want
}

// cannot says why a cell cannot be; empty where it can.
func (r *faultRow) cannot(c cell) string {
	if r.not == nil {
		return ""
	}
	return r.not(c)
}

// Reasons why cells cannot be.
func onlyMBAP(c cell) string {
	if !c.medium.mbap() {
		return "no transaction in this framing"
	}
	return ""
}

func onlySerial(c cell) string {
	if !c.medium.onSerial() {
		return "no adapter and no other client on a connection"
	}
	return ""
}

func onlyConnected(c cell) string {
	if c.medium.onSerial() {
		return "a serial line is no connection"
	}
	return ""
}

// guarded is for damage that TCP's and UDP's own sums keep out: what passes
// them in the data of MBAP nobody can see.
func guarded(c cell) string {
	if c.medium.mbap() {
		return "the sum of TCP and UDP guards these bytes, MBAP has none"
	}
	return ""
}

func onlyCounted(c cell) string {
	if !slices.Contains([]frame.Function{1, 2, 3, 4, 0x17, 0x14, 0x18}, c.function.code) {
		return "the answer holds no byte count"
	}
	return ""
}

func onlyEchoing(c cell) string {
	if !slices.Contains([]frame.Function{5, 6, 0x0F, 0x10, 0x16}, c.function.code) {
		return "the answer repeats nothing"
	}
	return ""
}

// faultRows is the matrix's rows.
func faultRows() []*faultRow {
	return slices.Concat(timeRows(), pieceRows(), damageRows(), connectionRows(), foreignRows(), answerRows())
}

// bothWays makes a row for each direction.
func bothWays(r faultRow) (rows []*faultRow) {
	for _, d := range []fault.Direction{fault.Requests, fault.Answers} {
		one := r
		one.direction = d
		rows = append(rows, &one)
	}
	return rows
}

// atPlaces makes a row for each place.
func atPlaces(r faultRow) (rows []*faultRow) {
	for _, p := range cellPlaces {
		one := r
		one.place = p
		rows = append(rows, &one)
	}
	return rows
}

// timeRows: what is lost, late, doubled, overtaken. The time limit is 200 ms and
// the answer's line time, 267 ms for the longest in ASCII at 19200 bit/s, and the
// horizon three limits.
func timeRows() []*faultRow {
	return slices.Concat(
		bothWays(faultRow{name: "slow, within the limit", wire: "delay 150ms", want: "."}),
		bothWays(faultRow{name: "late", wire: "delay 480ms", want: "S"}),
		bothWays(faultRow{name: "late by nearly three limits", wire: "delay 590ms", want: "S"}),
		bothWays(faultRow{name: "beyond the horizon", wire: "delay 900ms overtake", want: "S", beyond: true}),
		bothWays(faultRow{name: "lost", wire: "drop", want: "S"}),
		bothWays(faultRow{name: "lost, and asked again", wire: "drop", retries: 1, want: ".", writes: "S"}),
		bothWays(faultRow{name: "twice", wire: "duplicate", want: ".", beyond: true}),
		bothWays(faultRow{name: "twice, 30 ms apart", wire: "duplicate after 30ms overtake", want: ".", beyond: true}),
		bothWays(faultRow{name: "behind the next", wire: "reorder 1", retries: 1, want: ".", writes: "S", beyond: true}),
		bothWays(faultRow{name: "glued to the next", wire: "join 2", retries: 1, want: ".", writes: "S", beyond: true,
			on: map[string]string{"mbap in datagrams": "MS"}}),
		bothWays(faultRow{name: "stalled for 100 ms", wire: "stall for 100ms", want: "."}),
		bothWays(faultRow{name: "stalled for 480 ms", wire: "stall for 480ms", want: "S"}),
	)
}

// pieceRows: frames in pieces, which every stream may make of them.
func pieceRows() (rows []*faultRow) {
	pieces := map[string]string{"mbap in datagrams": "MS"}
	rows = bothWays(faultRow{name: "byte by byte", wire: "drip each 1ms", want: ".", on: pieces})
	for _, r := range atPlaces(faultRow{name: "in two pieces", wire: "split at {cut} gap 20ms", want: ".", on: pieces}) {
		rows = append(rows, bothWays(*r)...)
	}
	for _, r := range atPlaces(faultRow{name: "in two pieces, the second late", wire: "split at {cut} gap 480ms", want: "UCS", on: pieces}) {
		r.direction = fault.Answers
		rows = append(rows, r)
	}
	for _, r := range atPlaces(faultRow{name: "cut off", wire: "deliver {cut} bytes", on: pieces}) {
		for _, one := range bothWays(*r) {
			one.want, one.open = "U", "UC"
			if one.direction == fault.Requests {
				one.want, one.open = "SP", ""
			}
			rows = append(rows, one)
		}
	}
	return rows
}

// noise is bytes that begin no frame of any framing.
const noise = "00ff5a"

// damageRows: bytes changed, missing, and too many. A damaged request is not
// answered, so that the client hears nothing.
func damageRows() (rows []*faultRow) {
	add := func(r faultRow) { rows = append(rows, &r) }
	for _, d := range []fault.Direction{fault.Requests, fault.Answers} {
		bad, cut, head := "C", "UC", map[string]string{"mbap": "SMU", "mbap in datagrams": "SM"}
		not := func(cell) string { return "" } // a gateway may get an answer's header wrong
		if d == fault.Requests {
			bad, cut, not = "S", "S", guarded
		}
		for _, p := range cellPlaces {
			add(faultRow{name: "a bit flipped", place: p, direction: d, wire: "flip at {bit}", want: bad, on: head, not: not})
			add(faultRow{name: "a byte missing", place: p, direction: d, wire: "drop 1 bytes at {byte}", want: cut, not: guarded})
			add(faultRow{name: "a colon instead", place: p, direction: d, wire: "drop 1 bytes at {byte}; insert 3a at {byte}", not: guarded,
				want: bad + "."}) // well where a colon stood there
		}
		add(faultRow{name: "noise before", place: start, direction: d, wire: "insert " + noise + " at start", want: ".", on: head, not: not})
		add(faultRow{name: "noise inside", place: middle, direction: d, wire: "insert " + noise + " at {byte}", want: bad, not: guarded})
		add(faultRow{name: "noise after", place: end, direction: d, wire: "insert " + noise + " at end", want: ".", not: not,
			on: map[string]string{"mbap in datagrams": "M"}}) // its stream ends with the next answer
	}
	add(faultRow{name: "noise before it, apart", want: ".", not: guarded,
		forge: func(f forging) [][]byte { return [][]byte{{0x00, 0xFF, 0x5A}, f.frame()} }})
	add(faultRow{name: "half of it, then the whole", want: ".", not: guarded,
		forge: func(f forging) [][]byte { b := f.frame(); return [][]byte{b[:len(b)/2], b} }})
	for _, b := range []string{"00", "ff", "3a"} {
		add(faultRow{name: "never silent for 400 ms: " + b, direction: fault.Answers, wire: "drop; flood " + b + " each 200us for 400ms", want: "N",
			on: map[string]string{"mbap": "M", "mbap in datagrams": "M"}})
	}
	return rows
}

// connectionRows: ends of a connection, and what looks like none. A serial port
// ends so when its adapter is pulled.
func connectionRows() (rows []*faultRow) {
	rows = slices.Concat(
		bothWays(faultRow{name: "closed after it", wire: "close fin", want: ".P"}),
		bothWays(faultRow{name: "reset after it", wire: "close rst", want: ".P"}),
		bothWays(faultRow{name: "closed instead", wire: "drop; close fin", want: "P", on: map[string]string{"mbap in datagrams": "S"}}),
		bothWays(faultRow{name: "reset instead", wire: "drop; close rst", want: "P", on: map[string]string{"mbap in datagrams": "S"}}),
		bothWays(faultRow{name: "half-open", wire: "half-open", want: "S", kept: 20 * time.Second, not: onlyConnected}),
	)
	for _, how := range []string{"fin", "rst"} {
		rows = append(rows, atPlaces(faultRow{name: "ended inside it by " + how, direction: fault.Answers, wire: "deliver {cut} bytes; close " + how, want: "U",
			on: map[string]string{"mbap in datagrams": "MS", "rtu": "P", "ascii": "P", "rtu in tcp": "U", "ascii in tcp": "U"}})...)
	}
	refused := errors.New("connection refused")
	return append(rows,
		&faultRow{name: "opening is refused", dial: func(context.Context) error { return refused }, want: "L"},
		&faultRow{name: "opening never ends", dial: func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }, want: "L"})
}

// foreignRows: answers to something else, and the bytes of others.
func foreignRows() (rows []*faultRow) {
	as := func(name, field, want string) *faultRow {
		return &faultRow{name: name, direction: fault.Answers, wire: "answer-as " + field, want: want}
	}
	unit := as("of another unit", "unit +1", "S")
	unit.on = map[string]string{"mbap": "M", "mbap in datagrams": "."} // B4: a direct link takes it
	nobody := as("of unit 0", "unit 0", "S")
	nobody.on = unit.on
	rows = append(rows, unit, nobody,
		as("of the next function", "function +1", "MCUS"), as("with the exception bit", "function +128", "MCUS"), as("of function 0", "function 0", "MCUS"),
		as("two bytes longer", "length +2", "MCUS"), as("two bytes shorter", "length -2", "MCUS"), as("without data", "length 0", "MCUS"))
	for _, by := range []string{"+1", "-1", "+3000"} {
		r := as("of transaction "+by, "transaction "+by, "S")
		r.not = onlyMBAP
		rows = append(rows, r)
	}
	return append(rows,
		&faultRow{name: "another's answer before it", want: ".", forge: func(f forging) [][]byte { return [][]byte{f.other(), f.frame()} }},
		&faultRow{name: "another's answer after it", want: ".", forge: func(f forging) [][]byte { return [][]byte{f.frame(), f.other()} }},
		&faultRow{name: "another's answer glued before it", want: ".", forge: func(f forging) [][]byte { return [][]byte{slices.Concat(f.other(), f.frame())} },
			on: map[string]string{"mbap in datagrams": "MS"}},
		&faultRow{name: "another's answer glued after it", want: ".", forge: func(f forging) [][]byte { return [][]byte{slices.Concat(f.frame(), f.other())} },
			on: map[string]string{"mbap in datagrams": "MS"}},
		&faultRow{name: "another client's exchange before it", want: ".", not: onlySerial, forge: func(f forging) [][]byte {
			return [][]byte{f.medium.adu(0, f.unit+1, f.asked), f.other(), f.frame()}
		}},
		&faultRow{name: "the adapter echoes", want: ".", always: true, not: onlySerial, forge: func(f forging) [][]byte { return [][]byte{f.of(f.asked), f.frame()} }},
		&faultRow{name: "the adapter echoes, glued", want: ".", always: true, not: onlySerial, forge: func(f forging) [][]byte {
			return [][]byte{slices.Concat(f.of(f.asked), f.frame())}
		}},
		&faultRow{name: "an echo and no answer", want: "S", always: true, not: onlySerial, forge: func(f forging) [][]byte {
			if f.struck {
				return [][]byte{f.of(f.asked)}
			}
			return [][]byte{f.of(f.asked), f.frame()}
		}})
}

// answerRows: exceptions, and answers that a station got wrong.
func answerRows() (rows []*faultRow) {
	pdu := func(make func(f forging) []byte) func(forging) [][]byte {
		return func(f forging) [][]byte { return [][]byte{f.of(make(f))} }
	}
	refusal := func(code ...byte) func(forging) [][]byte {
		return pdu(func(f forging) []byte { return append([]byte{byte(f.q.Function) | 0x80}, code...) })
	}
	for _, code := range []byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 0x0A, 0x0B, 0x77} {
		rows = append(rows, &faultRow{name: fmt.Sprintf("exception %02X", code), want: "X", forge: refusal(code), code: frame.Exception(code)})
	}
	for _, code := range []byte{5, 6} {
		rows = append(rows, &faultRow{name: fmt.Sprintf("exception %02X, then well", code), want: ".", writes: "X", retries: 1, forge: refusal(code)})
	}
	count := func(change func(n byte) byte) func(forging) [][]byte {
		return pdu(func(f forging) []byte {
			b, at := bytes.Clone(f.pdu), 1
			if f.q.Function == frame.ReadFIFOQueue {
				at = 2 // V1.1b3, 6.18: a count of two bytes
			}
			b[at] = change(b[at])
			return b
		})
	}
	const bad = "MCUS" // and D for what answers the read before it once more
	return append(rows,
		&faultRow{name: "exception 00", want: bad, forge: refusal(0)},
		&faultRow{name: "exception without a code", want: bad, forge: refusal()},
		&faultRow{name: "exception with a byte too many", want: bad, forge: refusal(2, 0)},
		&faultRow{name: "exception of another function", want: bad + "D", forge: pdu(func(f forging) []byte { return []byte{byte(f.q.Function+1) | 0x80, 2} })},
		&faultRow{name: "byte count one more", want: bad, not: onlyCounted, forge: count(func(n byte) byte { return n + 1 })},
		&faultRow{name: "byte count one less", want: bad, not: onlyCounted, forge: count(func(n byte) byte { return n - 1 })},
		&faultRow{name: "byte count two less", want: bad, not: onlyCounted, forge: count(func(n byte) byte { return n - 2 })},
		&faultRow{name: "byte count 0", want: bad, not: onlyCounted, forge: count(func(byte) byte { return 0 })},
		&faultRow{name: "byte count 255", want: bad, not: onlyCounted, forge: count(func(byte) byte { return 255 })},
		&faultRow{name: "another address comes back", want: bad, not: onlyEchoing, forge: pdu(func(f forging) []byte {
			b := bytes.Clone(f.pdu)
			b[2]++
			return b
		})},
		&faultRow{name: "another value comes back", want: bad, not: onlyEchoing, forge: pdu(func(f forging) []byte {
			b := bytes.Clone(f.pdu)
			b[len(b)-2] ^= 0xFF // 05 knows FF00 and 0000
			return b
		})},
		&faultRow{name: "the request comes back", want: bad, not: func(c cell) string {
			if slices.Contains([]frame.Function{5, 6, 0x16}, c.function.code) {
				return "the answer is the request"
			}
			return ""
		}, forge: pdu(func(f forging) []byte { return f.asked })})
}
