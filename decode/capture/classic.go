package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/gopacket/gopacket/layers"
)

// The measures of a classic file. Source: draft-ietf-opsawg-pcap, 4 and 5.
const (
	fileHead     = 24
	packetHead   = 16
	mostOfPacket = 256 << 10 // bytes of one packet; the largest snap length that capture programs write, common practice
)

// classic reads the packets of a pcap file. They lie in the buffer, so that most
// are never copied.
type classic struct {
	in    *bufio.Reader
	order binary.ByteOrder
	unit  int64 // nanoseconds
	link  layers.LinkType
	used  int    // bytes of the packet before, still in the buffer
	large []byte // a packet that the buffer cannot hold
}

// newClassic reads the head of a file.
func newClassic(in *bufio.Reader) (*classic, error) {
	head, err := in.Peek(fileHead)
	if err != nil {
		return nil, errors.New("its head is cut off")
	}
	c := &classic{in: in, order: binary.ByteOrder(binary.LittleEndian), unit: int64(time.Microsecond), used: fileHead}
	magic := binary.BigEndian.Uint32(head)
	if magic>>16 == 0xA1B2 {
		c.order = binary.BigEndian
	}
	if magic == 0xA1B23C4D || magic == 0x4D3CB2A1 {
		c.unit = 1
	}
	if major, minor := c.order.Uint16(head[4:]), c.order.Uint16(head[6:]); major != 2 || minor != 4 {
		return nil, fmt.Errorf("its version is %d.%d; 2.4 is known", major, minor)
	}
	c.link = layers.LinkType(c.order.Uint32(head[20:]) & 0xFFFF) // what stands above says how long a check is
	return c, nil
}

// next is the next packet; io.EOF at the end of the file.
func (c *classic) next() (p raw, err error) {
	c.in.Discard(c.used)
	c.used = 0
	head, err := c.in.Peek(packetHead)
	if err != nil {
		if err == io.EOF && len(head) > 0 {
			err = io.ErrUnexpectedEOF
		}
		return raw{}, err
	}
	seconds, part := c.order.Uint32(head), c.order.Uint32(head[4:])
	n, length := c.order.Uint32(head[8:]), c.order.Uint32(head[12:])
	switch {
	case n > mostOfPacket:
		return raw{}, fmt.Errorf("a packet says that it is %d bytes long; %d at most can be", n, mostOfPacket)
	case n > length:
		return raw{}, fmt.Errorf("a packet says that %d bytes of %d are there", n, length)
	}
	p = raw{at: time.Unix(int64(seconds), int64(part)*c.unit).UTC(), length: int(length), link: c.link}
	if whole := packetHead + int(n); whole <= c.in.Size() {
		b, err := c.in.Peek(whole)
		if err != nil {
			return raw{}, cutOff(err)
		}
		p.data, c.used = b[packetHead:], whole
		return p, nil
	}
	c.in.Discard(packetHead)
	if c.large == nil {
		c.large = make([]byte, mostOfPacket)
	}
	p.data = c.large[:n]
	_, err = io.ReadFull(c.in, p.data)
	return p, cutOff(err)
}

// cutOff is the error for a file that ends inside a packet.
func cutOff(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}
