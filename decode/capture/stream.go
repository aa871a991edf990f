package capture

import (
	"container/list"
	"net/netip"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// Bounds of the table of streams; ours. E5 of the abuse table asks for at most
// 256 MiB in all.
const (
	mostStreams = 1 << 14
	mostInAll   = 128 << 20 // bytes that wait behind holes
)

// A Stream is one conversation of a capture: a TCP connection, the datagrams
// between two places, or a serial line.
type Stream struct {
	Number         int // from 1, in order of appearance
	Medium         line.Medium
	Client, Server netip.AddrPort // of networks
	Began          decode.Stamp
	Midway         bool // its beginning is not in the file

	up, down half // from the client, and from the server
	place    *list.Element
	reader   reader
}

// A reader finds frames in the chunks of a stream.
type reader interface {
	take(*Chunk)
	finish()
}

// A Chunk is bytes of a stream in their order.
type Chunk struct {
	Stream     *Stream
	FromClient bool
	Bytes      []byte // good until the sink returns
	At         decode.Stamp
	Packet     int
	Lost       int  // bytes missing before these; -1: nobody knows how many
	Conflict   bool // a repetition in this packet differs from what came first
	Ends       bool // nothing more comes from this side
	Whole      bool // a datagram
}

// Options say what to look for.
type Options struct {
	Ports   []int        // where servers are, beside 502 and 802
	Framing line.Framing // of what TCP carries; 0 is MBAP
}

// The ports of Modbus servers. Source: TCP guide V1.0b, 4.2.1.2; MBSEC v36 (802).
const (
	portPlain  = 502
	portSecure = 802
)

// key is the two places of a conversation, the lower first.
type key struct {
	a, b     netip.AddrPort
	datagram bool
}

func keyOf(s *parcel) key {
	if s.from.Compare(s.to) <= 0 {
		return key{s.from, s.to, s.datagram}
	}
	return key{s.to, s.from, s.datagram}
}

// table finds the stream of a segment.
type table struct {
	servers *[1 << 16]bool
	open    map[key]*Stream
	order   list.List // of key, the longest unused first
	held    int
	number  int
	emit    func(*Chunk)
	latest  *Stream // the stream of the segment before; nil when it ended
	chunk   Chunk   // what is given on, to spare its making
}

func newTable(o Options, emit func(*Chunk)) *table {
	t := &table{servers: new([1 << 16]bool), open: map[key]*Stream{}, emit: emit}
	t.servers[portPlain], t.servers[portSecure] = true, true
	for _, p := range o.Ports {
		t.servers[uint16(p)] = true
	}
	return t
}

// wanted says whether a segment is to or from a server.
func (t *table) wanted(s *parcel) bool { return t.servers[s.from.Port()] || t.servers[s.to.Port()] }

// take gives a segment to its stream.
func (t *table) take(s *parcel, at decode.Stamp, packet int) {
	st := t.find(s, at)
	fromClient := s.from == st.Client
	if t.straight(st, s, fromClient) {
		t.chunk = Chunk{Stream: st, FromClient: fromClient, Bytes: s.payload, At: at, Packet: packet}
		t.emit(&t.chunk)
		return
	}
	give := func(g given) {
		t.emit(&Chunk{Stream: st, FromClient: fromClient, Bytes: g.bytes, At: g.at, Packet: g.packet, Lost: g.lost, Whole: s.datagram})
	}
	if s.datagram {
		lost := 0
		if s.cut {
			lost = -1
		}
		give(given{bytes: s.payload, at: at, packet: packet, lost: lost})
		return
	}
	mine, others := &st.up, &st.down
	if !fromClient {
		mine, others = others, mine
	}
	t.held -= mine.waiting + others.waiting
	if s.acks {
		others.acknowledged(s.ack, func(g given) {
			t.emit(&Chunk{Stream: st, FromClient: !fromClient, Bytes: g.bytes, At: g.at, Packet: g.packet, Lost: g.lost})
		})
	}
	if mine.take(*s, at, packet, give) {
		t.emit(&Chunk{Stream: st, FromClient: fromClient, At: at, Packet: packet, Conflict: true})
	}
	if s.cut { // the rest of the packet is on the line and not in the file
		mine.known = false
		give(given{at: at, packet: packet, lost: -1})
	}
	t.held += mine.waiting + others.waiting
	if s.rst {
		t.end(keyOf(s), st)
		return
	}
	if mine.ended && others.ended && len(mine.pending)+len(others.pending) == 0 {
		t.end(keyOf(s), st)
	}
	t.bound()
}

// straight takes a segment that is next in its order and does nothing but
// carry bytes, as nearly all do.
func (t *table) straight(st *Stream, s *parcel, fromClient bool) bool {
	mine, others := &st.up, &st.down
	if !fromClient {
		mine, others = others, mine
	}
	if s.datagram || s.syn || s.fin || s.rst || s.cut || len(s.payload) == 0 || !mine.known || s.seq != mine.next ||
		len(mine.pending)+len(others.pending) > 0 {
		return false
	}
	mine.pass(s.payload)
	return true
}

// find gives the stream of a segment. A SYN begins a new one, whatever was
// between the two places before.
func (t *table) find(s *parcel, at decode.Stamp) *Stream {
	if l := t.latest; l != nil && !s.syn && !s.datagram && l.Medium == line.TCP &&
		(s.from == l.Client && s.to == l.Server || s.from == l.Server && s.to == l.Client) {
		return l
	}
	st := t.lookUp(s, at)
	t.latest = st
	return st
}

func (t *table) lookUp(s *parcel, at decode.Stamp) *Stream {
	k := keyOf(s)
	st := t.open[k]
	if st != nil && s.syn && !s.acks && (st.up.known || st.down.known) && !t.repeatsSYN(st, s) {
		t.end(k, st)
		st = nil
	}
	if st != nil {
		t.order.MoveToBack(st.place)
		return st
	}
	t.number++
	st = &Stream{Number: t.number, Medium: line.TCP, Began: at, Midway: !s.syn && !s.datagram}
	if s.datagram {
		st.Medium = line.UDP
	}
	st.Client, st.Server = t.roles(s)
	st.place = t.order.PushBack(k)
	t.open[k] = st
	if len(t.open) > mostStreams {
		oldest := t.order.Front().Value.(key)
		t.end(oldest, t.open[oldest])
	}
	return st
}

// repeatsSYN says whether a SYN is the one that began the stream once more.
func (t *table) repeatsSYN(st *Stream, s *parcel) bool {
	return s.from == st.Client && st.up.known && ahead(s.seq+1, st.up.next) == 0 && !st.down.known
}

// roles says which side is the client: who sends the first SYN, else whoever
// talks to a server's port, else whoever talks first.
func (t *table) roles(s *parcel) (client, server netip.AddrPort) {
	from, to := t.servers[s.from.Port()], t.servers[s.to.Port()]
	answers := s.syn && s.acks || !s.syn && from && !to
	if answers {
		return s.to, s.from
	}
	return s.from, s.to
}

// end gives up what a stream still holds and forgets it.
func (t *table) end(k key, st *Stream) {
	t.held -= st.up.waiting + st.down.waiting
	for _, side := range []struct {
		h    *half
		from bool
	}{{&st.up, true}, {&st.down, false}} {
		side.h.flush(func(g given) {
			t.emit(&Chunk{Stream: st, FromClient: side.from, Bytes: g.bytes, At: g.at, Packet: g.packet, Lost: g.lost})
		})
		t.emit(&Chunk{Stream: st, FromClient: side.from, Ends: true})
	}
	if st.reader != nil {
		st.reader.finish()
	}
	t.order.Remove(st.place)
	delete(t.open, k)
	t.latest = nil
}

// bound keeps what is held in all within its limit: the longest unused streams
// give up theirs.
func (t *table) bound() {
	for t.held > mostInAll {
		k := t.order.Front().Value.(key)
		t.end(k, t.open[k])
	}
}

// finish ends all streams, in the order of their beginning.
func (t *table) finish() {
	for t.order.Len() > 0 {
		k := t.order.Front().Value.(key)
		t.end(k, t.open[k])
	}
}
