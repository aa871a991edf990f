package poll_test

import (
	"bytes"
	"context"
	"errors"
	"hash/fnv"
	"io"
	"sync"
	"time"

	"plumbline/poll/link"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// An origin is where bytes on the line come from: a letter, perhaps once more.
type origin struct {
	letter *letter
	again  bool // the letter was on its way whole before
}

// A flight is what a fault filter put on its way and has not arrived yet.
type flight struct {
	bytes []byte
	due   time.Time
	from  []origin
}

// A tracker is a filter that lets another decide and remembers what came of
// each letter, so that every arrival can be traced to what was written.
type tracker struct {
	inner fault.Filter
	holds bool // the filter may hold a letter back until others have passed

	mu      sync.Mutex
	writing *letter
	kept    []*letter // held back
	last    time.Time // nothing in order arrives before
	flights []flight
	flown   map[*letter]bool
}

// write sends a letter as one chunk. One goroutine writes in each direction.
func (r *tracker) write(end *fault.End, l *letter) {
	r.mu.Lock()
	r.writing = l
	r.mu.Unlock()
	_, _ = end.Write(l.frame) // a link that has ended takes nothing
}

// Deliveries is the fault.Filter.
func (r *tracker) Deliveries(chunk []byte) []fault.Delivery {
	r.mu.Lock()
	if r.writing.strange {
		defer r.mu.Unlock()
		r.flights = append(r.flights, flight{bytes.Clone(chunk), time.Now(), []origin{{r.writing, false}}})
		return []fault.Delivery{{Bytes: bytes.Clone(chunk), Overtake: true}}
	}
	r.mu.Unlock()
	ds := r.inner.Deliveries(chunk)
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.holds {
		r.kept = append(r.kept, r.writing)
	}
	for _, d := range ds {
		due := time.Now().Add(d.Delay)
		if !d.Overtake && due.Before(r.last) {
			due = r.last
		}
		if !d.Overtake && (d.Act == fault.Pass || d.Act == fault.Fin || d.Act == fault.Rst) {
			r.last = due
		}
		if d.Act == fault.Pass && len(d.Bytes) > 0 {
			r.flights = append(r.flights, flight{d.Bytes, due, r.origins(d.Bytes)})
		}
	}
	return ds
}

// origins finds the letters that bytes hold whole; a part of a letter, or a
// damaged one, comes from the letter that is being written.
func (r *tracker) origins(b []byte) (from []origin) {
	if !r.holds {
		whole := bytes.Contains(b, r.writing.frame)
		again := whole && r.flown[r.writing]
		r.flown[r.writing] = r.flown[r.writing] || whole
		return []origin{{r.writing, again || r.writing.again}}
	}
	rest := bytes.Clone(b)
	take := func(l *letter) (taken bool) {
		i := bytes.Index(rest, l.frame)
		if i < 0 {
			return false
		}
		rest = append(rest[:i], rest[i+len(l.frame):]...)
		from = append(from, origin{l, r.flown[l] || l.again})
		r.flown[l] = true
		return true
	}
	last := len(r.kept) - 1 // what is being written, unless it has left already
	if last >= 0 && r.kept[last] == r.writing && take(r.writing) {
		r.kept = r.kept[:last]
	}
	waiting := r.kept[:0]
	for _, l := range r.kept {
		if !take(l) {
			waiting = append(waiting, l)
		}
	}
	r.kept = waiting
	if from == nil {
		from = []origin{{r.writing, r.flown[r.writing] || r.writing.again}}
	}
	return from
}

// arrived says where bytes come from that have arrived in one piece.
func (r *tracker) arrived(b []byte) []origin {
	r.mu.Lock()
	defer r.mu.Unlock()
	first := -1
	for i, f := range r.flights {
		if bytes.Equal(f.bytes, b) && (first < 0 || f.due.Before(r.flights[first].due)) {
			first = i
		}
	}
	if first < 0 {
		return nil // noise that nobody wrote
	}
	from := r.flights[first].from
	r.flights = append(r.flights[:first], r.flights[first+1:]...)
	return from
}

// A road is one wire with the station at its far end.
type road struct {
	book      *book
	up, down  *tracker
	near, far *fault.End
	stranger  func(*letter) *letter // what comes before an answer and belongs to another question; may give nil
}

// serve is the station on a road. A request counts as heard only whole: on a
// serial line silence parts them, and no script here parts those of a network.
func (r *road) serve() {
	defer r.far.Close()
	buf := make([]byte, 1<<16)
	for {
		n, err := r.far.Read(buf)
		if errors.Is(err, fault.ErrRefused) {
			continue
		}
		if err != nil {
			return
		}
		from := r.up.arrived(buf[:n])
		l := r.book.station.answer(buf[:n])
		if l == nil || from == nil {
			continue
		}
		l.asked = from[0].letter
		l.again = l.asked.heard
		l.asked.heard = true
		l.garbled = !bytes.Equal(buf[:n], l.asked.frame)
		if s := r.stranger(l); s != nil {
			r.down.write(r.far, s)
		}
		r.down.write(r.far, l)
	}
}

// A hub joins the client's streams with the roads to the station and keeps the
// book. On a serial line, or behind a gateway, there is one road that outlives
// the streams: what is late arrives on the next one. A TCP connection is a road
// of its own.
type hub struct {
	book       *book
	seed       uint64
	wire, door fault.Script // on the road; on the client's own stream
	lasting    bool         // the road outlives the streams
	pipe       func() (a, b *fault.End)
	stranger   func(*letter) *letter

	mu     sync.Mutex
	dials  uint64
	road   *road
	client *fault.End // the far end of the client's stream
	ends   []*fault.End
	runs   []started
}

// started is a script at work.
type started struct {
	script fault.Script
	run    *fault.Run
}

// dial is the link's dialer.
func (h *hub) dial(context.Context) (link.Stream, error) { return h.stream(), nil }

// stream opens another stream of the client's.
func (h *hub) stream() *fault.End {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.dials++
	ours, theirs := h.pipe()
	h.start(h.door, "door").Between(ours, theirs)
	fresh := h.road == nil || !h.lasting
	if fresh {
		run := h.start(h.wire, "wire")
		near, far := h.pipe()
		holds := holdsBack(h.wire)
		h.road = &road{book: h.book, near: near, far: far, stranger: h.stranger,
			up:   &tracker{inner: run.Requests(), holds: holds, flown: map[*letter]bool{}},
			down: &tracker{inner: run.Answers(), holds: holds, flown: map[*letter]bool{}},
		}
		near.SetFilter(h.road.up)
		far.SetFilter(h.road.down)
		h.ends = append(h.ends, near, far)
		go h.road.serve()
	}
	h.client = theirs
	h.ends = append(h.ends, ours, theirs)
	go h.carryUp(h.road, theirs)
	if fresh {
		go h.carryDown(h.road, theirs)
	}
	return ours
}

func holdsBack(s fault.Script) bool {
	for _, r := range s.Rules {
		if r.Verb == fault.Reorder || r.Verb == fault.Join {
			return true
		}
	}
	return false
}

// start begins a run of a script with dice of its own.
func (h *hub) start(s fault.Script, place string) *fault.Run {
	s.Seed = mixSeed(h.seed, place, h.dials)
	run, err := s.Start(fault.Framed(h.book.framing))
	if err != nil {
		panic(err)
	}
	h.runs = append(h.runs, started{s, run})
	return run
}

// mixSeed makes a seed of its own, never 0, for a part of a run.
func mixSeed(seed uint64, part string, n uint64) uint64 {
	f := fnv.New64a()
	f.Write([]byte(part))
	x := seed ^ f.Sum64() ^ n*0x9E3779B97F4A7C15
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	return (x ^ x>>27) | 1
}

// carryUp carries the client's requests to the road.
func (h *hub) carryUp(r *road, theirs *fault.End) {
	buf := make([]byte, 1<<12)
	for {
		n, err := theirs.Read(buf)
		if errors.Is(err, fault.ErrRefused) {
			continue
		}
		if err != nil {
			_ = theirs.Close()
			if !h.lasting {
				_ = r.near.Close()
			}
			return
		}
		for _, request := range h.letters(buf[:n]) {
			r.up.write(r.near, h.book.send(bytes.Clone(request)))
		}
	}
}

// letters parts what the client wrote at once into requests: with MBAP several
// may leave together, each as long as its header says.
func (h *hub) letters(b []byte) (requests [][]byte) {
	for h.book.framing == line.MBAP && len(b) > 6 {
		n := 6 + int(b[4])<<8 + int(b[5])
		if n >= len(b) {
			break
		}
		requests, b = append(requests, b[:n]), b[n:]
	}
	return append(requests, b)
}

// carryDown notes what arrives and hands it to the client's stream.
func (h *hub) carryDown(r *road, theirs *fault.End) {
	buf := make([]byte, 1<<16)
	for {
		n, err := r.near.Read(buf)
		if h.lasting {
			h.mu.Lock()
			theirs = h.client
			h.mu.Unlock()
		}
		switch {
		case err == nil:
			h.book.arrive(bytes.Clone(buf[:n]), r.down.arrived(buf[:n]))
			_, _ = theirs.Write(buf[:n]) // nobody listens when the stream is gone
			continue
		case errors.Is(err, fault.ErrRefused):
			continue
		case errors.Is(err, io.EOF):
			_ = theirs.Close()
		default:
			theirs.Reset()
		}
		return
	}
}

// shut ends everything, and says how often each rule has applied.
func (h *hub) shut() map[string]int {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, e := range h.ends {
		_ = e.Close()
	}
	fired := map[string]int{}
	for _, r := range h.runs {
		for i, n := range r.run.Fired() {
			fired[r.script.Rules[i].String()] += n
		}
	}
	return fired
}

// lineTime is how long a frame is on the line: 11 bits a character of RTU, 10
// of ASCII. Source: serial guide V1.02, 2.5.1 and 2.5.2.
func lineTime(f line.Framing, s line.Serial, n int) time.Duration {
	if s.Baud == 0 {
		return 0
	}
	bits := time.Duration(11)
	if f == line.ASCII {
		bits = 10
	}
	return time.Duration(n) * bits * time.Second / time.Duration(s.Baud)
}
