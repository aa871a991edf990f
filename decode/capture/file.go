package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"

	"plumbline/decode"
)

// The errors of Open, for errors.Is.
var (
	ErrNotCapture = errors.New("this is no capture file; pcap and pcapng are read")
	ErrCompressed = errors.New("this file is compressed; unpack it first")
)

// The first four bytes of capture files, in the order of the file. Source:
// the PCAP and PCAPNG drafts of the IETF opsawg (draft-ietf-opsawg-pcap, 4;
// draft-ietf-opsawg-pcapng, 4.1).
var magics = map[uint32]bool{ // true: pcapng
	0xA1B2C3D4: false, 0xD4C3B2A1: false, // microseconds
	0xA1B23C4D: false, 0x4D3CB2A1: false, // nanoseconds
	0x0A0D0D0A: true,
}

// Is says whether a file that begins so is a capture. Four bytes decide.
func Is(head []byte) bool {
	if len(head) < 4 {
		return false
	}
	_, known := magics[binary.BigEndian.Uint32(head)]
	return known
}

// Compressed says whether the file begins as gzip, zstd, xz or bzip2 files do.
// Sources: RFC 1952, 2.3.1; RFC 8878, 3.1.1; the others from memory.
func Compressed(head []byte) bool {
	for _, magic := range []string{"\x1f\x8b", "\x28\xb5\x2f\xfd", "\xfd7zX", "BZh"} {
		if len(head) >= len(magic) && string(head[:len(magic)]) == magic {
			return true
		}
	}
	return false
}

// A Packet is one packet of a file. Its data is good until the next one is read.
type Packet struct {
	Number int // from 1
	At     decode.Stamp
	Link   layers.LinkType
	Data   []byte
	Cut    int // bytes that were on the line and are not in the file
}

// raw is one packet as it stands in a file.
type raw struct {
	data   []byte
	at     time.Time
	length int // on the line
	link   layers.LinkType
}

// source is what both file formats offer.
type source interface{ next() (raw, error) }

// A File reads the packets of a capture.
type File struct {
	packets source
	number  int
	first   time.Time
	fault   error
}

// Open reads the head of a capture. The error wraps ErrNotCapture or
// ErrCompressed, or is the reader's.
func Open(r io.Reader) (*File, error) {
	b := bufio.NewReaderSize(r, 64<<10)
	head, err := b.Peek(4)
	switch {
	case Compressed(head):
		return nil, ErrCompressed
	case len(head) < 4 && err != nil && err != io.EOF:
		return nil, err
	case !Is(head):
		return nil, ErrNotCapture
	}
	f := new(File)
	if magics[binary.BigEndian.Uint32(head)] {
		f.packets, err = newBlocks(b)
	} else {
		f.packets, err = newClassic(b)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotCapture, err)
	}
	return f, nil
}

// Next reads a packet. The error is io.EOF at the file's end, else it says after
// which packet the file cannot be read further; what came before is good.
func (f *File) Next() (p Packet, err error) {
	if f.fault != nil {
		return Packet{}, f.fault
	}
	r, err := f.packets.next()
	if err != nil {
		f.fault = err
		if err != io.EOF {
			f.fault = fmt.Errorf("the file cannot be read beyond packet %d: %w", f.number, err)
		}
		return Packet{}, f.fault
	}
	if f.number++; f.number == 1 {
		f.first = r.at
	}
	p = Packet{Number: f.number, Link: r.link, Data: r.data, Cut: max(0, r.length-len(r.data))}
	p.At = decode.Stamp{Wall: r.at, Steady: r.at.Sub(f.first)}
	return p, nil
}

// blocks reads the packets of a pcapng file.
type blocks struct{ in *pcapgo.NgReader }

func newBlocks(in *bufio.Reader) (*blocks, error) {
	r, err := pcapgo.NewNgReader(in, pcapgo.NgReaderOptions{WantMixedLinkType: true, SkipUnknownVersion: true})
	if err != nil {
		return nil, err
	}
	return &blocks{r}, nil
}

// next guards against what a damaged file may do to the library.
func (b *blocks) next() (p raw, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = errors.New("its structure is damaged")
		}
	}()
	data, info, err := b.in.ZeroCopyReadPacketData()
	if err != nil {
		return raw{}, err
	}
	p = raw{data: data, at: info.Timestamp, length: info.Length, link: b.in.LinkType()}
	if len(info.AncillaryData) > 0 { // each packet says its own
		if link, ok := info.AncillaryData[0].(layers.LinkType); ok {
			p.link = link
		}
	}
	return p, nil
}
