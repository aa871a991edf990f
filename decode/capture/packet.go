package capture

import (
	"encoding/binary"
	"net/netip"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
)

// mostNesting is how many headers are looked through before a packet is given
// up: VLAN tags and tunnels can be stacked without end. E6 of the abuse table.
const mostNesting = 16

// A segment is what a packet carries for a connection: of TCP, or a datagram.
type parcel struct {
	from, to netip.AddrPort
	datagram bool
	payload  []byte
	cut      bool // the file does not hold all of it

	seq, ack      uint32 // TCP
	syn, fin, rst bool
	acks          bool
}

// why says why a packet carries nothing for us.
type why uint8

const (
	used      why = iota
	other         // not IP, TCP or UDP, or another port
	fragment      // a part of an IP packet
	nested        // headers stacked too high
	malformed     // a header does not fit its packet
)

// unwrapper looks through the headers of packets. Those that nearly every packet
// has are read here, the rarer ones by the capture library.
type unwrapper struct {
	sll      layers.LinuxSLL
	sll2     layers.LinuxSLL2
	loopback layers.Loopback
	found    parcel // what the last packet carries
}

// unwrap finds the TCP segment or datagram in a packet.
func (u *unwrapper) unwrap(p *Packet) why {
	b, none := p.Data, gopacket.NilDecodeFeedback
	var err error
	var kind layers.EthernetType
	switch p.Link {
	case layers.LinkTypeEthernet:
		// Two addresses of six bytes, then the type (IEEE 802.3, 3.1.1; from memory).
		if len(b) < 14 {
			return malformed
		}
		kind, b = layers.EthernetType(binary.BigEndian.Uint16(b[12:])), b[14:]
	case layers.LinkTypeLinuxSLL:
		err = u.sll.DecodeFromBytes(b, none)
		kind, b = u.sll.EthernetType, u.sll.Payload
	case layers.LinkTypeLinuxSLL2:
		err = u.sll2.DecodeFromBytes(b, none)
		kind, b = u.sll2.ProtocolType, u.sll2.Payload
	case layers.LinkTypeNull, layers.LinkTypeLoop:
		err = u.loopback.DecodeFromBytes(b, none)
		kind, b = version(u.loopback.Payload), u.loopback.Payload
	case layers.LinkTypeRaw, layers.LinkTypeIPv4, layers.LinkTypeIPv6, 12, 14: // raw IP has two older numbers
		kind = version(b)
	default:
		return other
	}
	if err != nil {
		return malformed
	}
	return u.network(b, kind, p.Cut > 0)
}

// version tells IPv4 from IPv6 by the first four bits. Source: RFC 791, 3.1;
// RFC 8200, 3.
func version(b []byte) layers.EthernetType {
	switch {
	case len(b) == 0:
	case b[0]>>4 == 4:
		return layers.EthernetTypeIPv4
	case b[0]>>4 == 6:
		return layers.EthernetTypeIPv6
	}
	return 0
}

// network looks through VLAN tags, PPPoE and IP in IP.
func (u *unwrapper) network(b []byte, kind layers.EthernetType, cut bool) (verdict why) {
	for range mostNesting {
		switch kind {
		case layers.EthernetTypeDot1Q, layers.EthernetTypeQinQ, 0x9100:
			// A tag is two bytes, then the next type (IEEE 802.1Q, 9.6; from memory).
			if len(b) < 4 {
				return malformed
			}
			kind, b = layers.EthernetType(binary.BigEndian.Uint16(b[2:])), b[4:]
		case layers.EthernetTypeIPv4:
			if b, verdict = u.internet4(b, cut); b == nil {
				return verdict
			}
			kind = version(b)
		case layers.EthernetTypeIPv6:
			if b, verdict = u.internet6(b, cut); b == nil {
				return verdict
			}
			kind = version(b)
		default:
			return other
		}
	}
	return nested
}

// internet4 reads an IPv4 packet. inner is a packet inside it. What the file
// does not hold of it is cut. Source: RFC 791, 3.1.
func (u *unwrapper) internet4(b []byte, cut bool) (inner []byte, verdict why) {
	if len(b) < 20 || b[0]>>4 != 4 {
		return nil, malformed
	}
	head, whole := int(b[0]&15)*4, int(binary.BigEndian.Uint16(b[2:]))
	if whole == 0 { // the sender's network card filled it in behind the capture; common practice
		whole = len(b)
	}
	if head < 20 || head > whole || head > len(b) {
		return nil, malformed
	}
	if binary.BigEndian.Uint16(b[6:])&0x3FFF != 0 { // more fragments, or not the first
		return nil, fragment
	}
	from, to := netip.AddrFrom4([4]byte(b[12:16])), netip.AddrFrom4([4]byte(b[16:20]))
	return u.inside(layers.IPProtocol(b[9]), b[head:min(whole, len(b))], from, to, cut)
}

// internet6 reads an IPv6 packet with the extension headers that lie in its way.
// Source: RFC 8200, 3 and 4.
func (u *unwrapper) internet6(b []byte, cut bool) (inner []byte, verdict why) {
	if len(b) < 40 || b[0]>>4 != 6 {
		return nil, malformed
	}
	from, to := netip.AddrFrom16([16]byte(b[8:24])), netip.AddrFrom16([16]byte(b[24:40]))
	next, rest := layers.IPProtocol(b[6]), b[40:]
	if n := int(binary.BigEndian.Uint16(b[4:])); n > 0 { // 0: a jumbogram, or filled in later
		rest = rest[:min(n, len(rest))]
	}
	for range mostNesting {
		switch next {
		case layers.IPProtocolIPv6HopByHop, layers.IPProtocolIPv6Routing, layers.IPProtocolIPv6Destination:
			if len(rest) < 8 || len(rest) < 8+8*int(rest[1]) {
				return nil, malformed
			}
			next, rest = layers.IPProtocol(rest[0]), rest[8+8*int(rest[1]):]
		case layers.IPProtocolIPv6Fragment:
			return nil, fragment
		default:
			return u.inside(next, rest, from, to, cut)
		}
	}
	return nil, nested
}

// inside reads what an IP packet carries. Source: RFC 9293, 3.1; RFC 768.
func (u *unwrapper) inside(protocol layers.IPProtocol, b []byte, from, to netip.Addr, cut bool) (inner []byte, verdict why) {
	switch protocol {
	case layers.IPProtocolTCP:
		if len(b) < 20 || int(b[12]>>4)*4 < 20 || int(b[12]>>4)*4 > len(b) {
			return nil, malformed
		}
		u.found = parcel{payload: b[int(b[12]>>4)*4:], cut: cut, seq: binary.BigEndian.Uint32(b[4:]), ack: binary.BigEndian.Uint32(b[8:])}
		u.found.fin, u.found.syn, u.found.rst, u.found.acks = b[13]&1 != 0, b[13]&2 != 0, b[13]&4 != 0, b[13]&16 != 0
	case layers.IPProtocolUDP:
		if len(b) < 8 {
			return nil, malformed
		}
		n := int(binary.BigEndian.Uint16(b[4:]))
		if n == 0 {
			n = len(b)
		}
		if n < 8 {
			return nil, malformed
		}
		u.found = parcel{datagram: true, payload: b[8:min(n, len(b))], cut: cut}
	case layers.IPProtocolIPv4, layers.IPProtocolIPv6:
		if len(b) == 0 {
			return nil, malformed
		}
		return b, used
	default:
		return nil, other
	}
	u.found.from = netip.AddrPortFrom(from, binary.BigEndian.Uint16(b))
	u.found.to = netip.AddrPortFrom(to, binary.BigEndian.Uint16(b[2:]))
	return nil, used
}
