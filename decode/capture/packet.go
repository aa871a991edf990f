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

// unwrapper looks through the headers of packets.
type unwrapper struct {
	ethernet layers.Ethernet
	sll      layers.LinuxSLL
	sll2     layers.LinuxSLL2
	loopback layers.Loopback
	ip4      layers.IPv4
	ip6      layers.IPv6
	tcp      layers.TCP
	udp      layers.UDP
}

// unwrap finds the TCP segment or datagram in a packet.
func (u *unwrapper) unwrap(p *Packet) (parcel, why) {
	b, none := p.Data, gopacket.NilDecodeFeedback
	var err error
	var kind layers.EthernetType
	switch p.Link {
	case layers.LinkTypeEthernet:
		err = u.ethernet.DecodeFromBytes(b, none)
		kind, b = u.ethernet.EthernetType, u.ethernet.Payload
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
		return parcel{}, other
	}
	if err != nil {
		return parcel{}, malformed
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
func (u *unwrapper) network(b []byte, kind layers.EthernetType, cut bool) (parcel, why) {
	for range mostNesting {
		switch kind {
		case layers.EthernetTypeDot1Q, layers.EthernetTypeQinQ, 0x9100:
			// A tag is two bytes, then the next type (IEEE 802.1Q, 9.6; from memory).
			if len(b) < 4 {
				return parcel{}, malformed
			}
			kind, b = layers.EthernetType(binary.BigEndian.Uint16(b[2:])), b[4:]
		case layers.EthernetTypeIPv4:
			s, inner, verdict := u.internet4(b, cut)
			if inner == nil {
				return s, verdict
			}
			b, kind = inner, version(inner)
		case layers.EthernetTypeIPv6:
			s, inner, verdict := u.internet6(b, cut)
			if inner == nil {
				return s, verdict
			}
			b, kind = inner, version(inner)
		default:
			return parcel{}, other
		}
	}
	return parcel{}, nested
}

// internet4 reads an IPv4 packet. inner is a packet inside it.
func (u *unwrapper) internet4(b []byte, cut bool) (s parcel, inner []byte, verdict why) {
	if u.ip4.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
		return s, nil, malformed
	}
	if u.ip4.FragOffset != 0 || u.ip4.Flags&layers.IPv4MoreFragments != 0 {
		return s, nil, fragment
	}
	from, _ := netip.AddrFromSlice(u.ip4.SrcIP)
	to, _ := netip.AddrFromSlice(u.ip4.DstIP)
	return u.inside(u.ip4.Protocol, u.ip4.Payload, from, to, cut)
}

// internet6 reads an IPv6 packet with the extension headers that lie in its way.
// Source: RFC 8200, 4.
func (u *unwrapper) internet6(b []byte, cut bool) (s parcel, inner []byte, verdict why) {
	if u.ip6.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
		return s, nil, malformed
	}
	from, _ := netip.AddrFromSlice(u.ip6.SrcIP)
	to, _ := netip.AddrFromSlice(u.ip6.DstIP)
	next, rest := u.ip6.NextHeader, u.ip6.Payload
	for range mostNesting {
		switch next {
		case layers.IPProtocolIPv6HopByHop, layers.IPProtocolIPv6Routing, layers.IPProtocolIPv6Destination:
			if len(rest) < 8 || len(rest) < 8+8*int(rest[1]) {
				return s, nil, malformed
			}
			next, rest = layers.IPProtocol(rest[0]), rest[8+8*int(rest[1]):]
		case layers.IPProtocolIPv6Fragment:
			return s, nil, fragment
		default:
			return u.inside(next, rest, from, to, cut)
		}
	}
	return s, nil, nested
}

// inside reads what an IP packet carries.
func (u *unwrapper) inside(protocol layers.IPProtocol, b []byte, from, to netip.Addr, cut bool) (s parcel, inner []byte, verdict why) {
	switch protocol {
	case layers.IPProtocolTCP:
		if u.tcp.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
			return s, nil, malformed
		}
		return parcel{
			from: netip.AddrPortFrom(from, uint16(u.tcp.SrcPort)), to: netip.AddrPortFrom(to, uint16(u.tcp.DstPort)),
			payload: u.tcp.Payload, cut: cut, seq: u.tcp.Seq, ack: u.tcp.Ack, acks: u.tcp.ACK,
			syn: u.tcp.SYN, fin: u.tcp.FIN, rst: u.tcp.RST,
		}, nil, used
	case layers.IPProtocolUDP:
		if u.udp.DecodeFromBytes(b, gopacket.NilDecodeFeedback) != nil {
			return s, nil, malformed
		}
		return parcel{
			from: netip.AddrPortFrom(from, uint16(u.udp.SrcPort)), to: netip.AddrPortFrom(to, uint16(u.udp.DstPort)),
			datagram: true, payload: u.udp.Payload, cut: cut,
		}, nil, used
	case layers.IPProtocolIPv4, layers.IPProtocolIPv6:
		if len(b) == 0 {
			return s, nil, malformed
		}
		return s, b, used
	}
	return s, nil, other
}
