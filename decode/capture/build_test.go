package capture

import (
	"bytes"
	"encoding/binary"
	"net/netip"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The captures of these tests are written here, byte by byte, from the drafts of
// the file formats and the RFCs of the headers; nothing of it is shared with
// what reads them.

// order is how a file writes numbers.
type order interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

// pcap writes a classic file. Source: draft-ietf-opsawg-pcap, 4 and 5.
func pcap(o order, nano bool, link uint32, packets ...packet) []byte {
	magic := uint32(0xA1B2C3D4)
	unit := time.Microsecond
	if nano {
		magic, unit = 0xA1B23C4D, time.Nanosecond
	}
	b := o.AppendUint32(nil, magic)
	b = o.AppendUint16(b, 2)
	b = o.AppendUint16(b, 4)
	b = append(b, make([]byte, 8)...)
	b = o.AppendUint32(b, 262144)
	b = o.AppendUint32(b, link)
	for _, p := range packets {
		b = o.AppendUint32(b, uint32(p.at/time.Second))
		b = o.AppendUint32(b, uint32(p.at%time.Second/unit))
		b = o.AppendUint32(b, uint32(len(p.data)))
		b = o.AppendUint32(b, uint32(len(p.data)+p.cut))
		b = append(b, p.data...)
	}
	return b
}

// pcapng writes a file of one section and one interface. Source:
// draft-ietf-opsawg-pcapng, 4.1, 4.2 and 4.3.
func pcapng(o order, link uint16, packets ...packet) []byte {
	block := func(kind uint32, body []byte) []byte {
		for len(body)%4 != 0 {
			body = append(body, 0)
		}
		n := uint32(len(body) + 12)
		b := o.AppendUint32(nil, kind)
		b = o.AppendUint32(b, n)
		return o.AppendUint32(append(b, body...), n)
	}
	head := o.AppendUint32(nil, 0x1A2B3C4D)
	head = o.AppendUint16(head, 1)
	head = o.AppendUint16(head, 0)
	head = o.AppendUint64(head, ^uint64(0))
	out := block(0x0A0D0D0A, head)
	face := o.AppendUint16(nil, link)
	face = o.AppendUint16(face, 0)
	face = o.AppendUint32(face, 262144)
	face = o.AppendUint16(face, 9) // if_tsresol
	face = o.AppendUint16(face, 1)
	face = append(face, 9, 0, 0, 0) // nanoseconds
	face = o.AppendUint32(face, 0)
	out = append(out, block(1, face)...)
	for _, p := range packets {
		b := o.AppendUint32(nil, 0)
		b = o.AppendUint32(b, uint32(uint64(p.at)>>32))
		b = o.AppendUint32(b, uint32(uint64(p.at)))
		b = o.AppendUint32(b, uint32(len(p.data)))
		b = o.AppendUint32(b, uint32(len(p.data)+p.cut))
		out = append(out, block(6, append(b, p.data...))...)
	}
	return out
}

// packet is one packet of a file: when, what, and how much of it was cut off.
type packet struct {
	at   time.Duration
	data []byte
	cut  int
}

var (
	clientPlace = netip.MustParseAddrPort("192.0.2.1:40000")
	serverPlace = netip.MustParseAddrPort("192.0.2.10:502")
	client6     = netip.MustParseAddrPort("[2001:db8::1]:40000")
	server6     = netip.MustParseAddrPort("[2001:db8::10]:502")
)

// Flags of TCP. Source: RFC 9293, 3.1.
const (
	fin = 1
	syn = 2
	rst = 4
	ack = 16
)

// tcpPacket is an IP packet with a TCP segment, without right checksums.
func tcpPacket(from, to netip.AddrPort, seq, acked uint32, flags byte, payload []byte) []byte {
	t := binary.BigEndian.AppendUint16(nil, from.Port())
	t = binary.BigEndian.AppendUint16(t, to.Port())
	t = binary.BigEndian.AppendUint32(t, seq)
	t = binary.BigEndian.AppendUint32(t, acked)
	t = append(t, 5<<4, flags, 0xFF, 0xFF, 0, 0, 0, 0)
	return ipPacket(from, to, 6, append(t, payload...))
}

func udpPacket(from, to netip.AddrPort, payload []byte) []byte {
	u := binary.BigEndian.AppendUint16(nil, from.Port())
	u = binary.BigEndian.AppendUint16(u, to.Port())
	u = binary.BigEndian.AppendUint16(u, uint16(8+len(payload)))
	return ipPacket(from, to, 17, append(append(u, 0, 0), payload...))
}

// ipPacket wraps what a protocol carries. Source: RFC 791, 3.1; RFC 8200, 3.
func ipPacket(from, to netip.AddrPort, protocol byte, body []byte) []byte {
	if from.Addr().Is6() {
		b := []byte{0x60, 0, 0, 0, byte(len(body) >> 8), byte(len(body)), protocol, 64}
		b = append(b, from.Addr().AsSlice()...)
		return append(append(b, to.Addr().AsSlice()...), body...)
	}
	n := 20 + len(body)
	b := []byte{0x45, 0, byte(n >> 8), byte(n), 0, 0, 0, 0, 64, protocol, 0, 0}
	b = append(b, from.Addr().AsSlice()...)
	return append(append(b, to.Addr().AsSlice()...), body...)
}

// ethernet wraps an IP packet, with VLAN tags.
func ethernet(ip []byte, tags ...uint16) []byte {
	b := make([]byte, 12)
	for _, tag := range tags {
		b = append(b, 0x81, 0x00, byte(tag>>8), byte(tag))
	}
	kind := []byte{0x08, 0x00}
	if len(ip) > 0 && ip[0]>>4 == 6 {
		kind = []byte{0x86, 0xDD}
	}
	return append(append(b, kind...), ip...)
}

// talk is a TCP connection being written down.
type talk struct {
	from, to netip.AddrPort
	up, down uint32 // next sequence numbers
	at       time.Duration
	link     func([]byte) []byte
	packets  []packet
}

func newTalk() *talk {
	return &talk{from: clientPlace, to: serverPlace, up: 1000, down: 5000, at: time.Hour, link: func(ip []byte) []byte { return ethernet(ip) }}
}

func (k *talk) add(ip []byte) {
	k.at += time.Millisecond
	k.packets = append(k.packets, packet{at: k.at, data: k.link(ip)})
}

// open shakes hands.
func (k *talk) open() {
	k.add(tcpPacket(k.from, k.to, k.up, 0, syn, nil))
	k.up++
	k.add(tcpPacket(k.to, k.from, k.down, k.up, syn|ack, nil))
	k.down++
	k.add(tcpPacket(k.from, k.to, k.up, k.down, ack, nil))
}

// say sends bytes from one side.
func (k *talk) say(fromClient bool, b []byte) {
	if fromClient {
		k.add(tcpPacket(k.from, k.to, k.up, k.down, ack, b))
		k.up += uint32(len(b))
		return
	}
	k.add(tcpPacket(k.to, k.from, k.down, k.up, ack, b))
	k.down += uint32(len(b))
}

// mbap wraps a PDU. Source: TCP guide V1.0b, 3.1.3.
func mbap(id uint16, unit byte, pdu ...byte) []byte {
	n := len(pdu) + 1
	return append([]byte{byte(id >> 8), byte(id), 0, 0, byte(n >> 8), byte(n), unit}, pdu...)
}

// reads is a request for count holding registers and the answer, whose register
// i holds address + i.
func reads(id uint16, unit byte, address, count int) (request, answer []byte) {
	request = mbap(id, unit, 3, byte(address>>8), byte(address), byte(count>>8), byte(count))
	pdu := []byte{3, byte(2 * count)}
	for i := range count {
		pdu = append(pdu, byte((address+i)>>8), byte(address+i))
	}
	return request, mbap(id, unit, pdu...)
}

// found is what a capture gave.
type found struct {
	pieces []segment.Piece
	heard  []segment.Heard
	notes  []Note
	sum    Summary
	err    error
}

func look(file []byte, s Settings) (f found) {
	f.sum, f.err = Read(bytes.NewReader(file), s, func(i Item) {
		switch {
		case i.Piece != nil:
			f.pieces = append(f.pieces, *i.Piece)
		case i.Heard != nil:
			f.heard = append(f.heard, *i.Heard)
		case i.Note != nil:
			f.notes = append(f.notes, *i.Note)
		}
	})
	return f
}

// answered counts the exchanges answered as asked, and checks their contents.
func (f found) answered(t *testing.T) (n int) {
	t.Helper()
	for _, h := range f.heard {
		if h.Outcome != segment.Answered {
			continue
		}
		n++
		read, _ := h.Request.Reads()
		raw, ok := h.AppendRaw(nil, read)
		if !ok {
			t.Errorf("exchange %s: %v %s", h.ID, h.Cause, h.Detail)
			continue
		}
		for i, r := range raw {
			if int(r) != int(read.First)+i {
				t.Errorf("exchange %s: register %d holds %d", h.ID, int(read.First)+i, r)
			}
		}
	}
	return n
}

// kinds lists the kinds of the notes.
func (f found) kinds() (out []Kind) {
	for _, n := range f.notes {
		out = append(out, n.Kind)
	}
	return out
}

// rtu wraps a PDU for a serial line.
func rtu(unit byte, pdu ...byte) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: regmap.Unit(unit), PDU: pdu})
	if err != nil {
		panic(err)
	}
	return b
}

func stampAt(d time.Duration) decode.Stamp {
	return decode.Stamp{Wall: time.Unix(1_700_000_000, 0).Add(d).UTC(), Steady: d}
}
