package capture

import (
	"io"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/pcapgo"

	"plumbline/decode"
)

// mostPacket is the most bytes written into one packet; ours.
const mostPacket = 64 << 10

// NoTime is the stamp to write for bytes that came without a time: the beginning
// of what the file format can say. Read takes it for no time.
var NoTime = decode.Stamp{Wall: time.Unix(0, 0).UTC()}

// A Writer writes what was heard on a serial line as a pcapng file with a serial
// link type, which other programs can read too.
type Writer struct {
	out *pcapgo.NgWriter
}

// NewWriter begins a file. name is the port's, about what is known of it: both
// stand in the file's head.
func NewWriter(w io.Writer, name, about string) (*Writer, error) {
	out, err := pcapgo.NewNgWriterInterface(w, pcapgo.NgInterface{
		Name: name, Description: about, LinkType: linkSerial, TimestampResolution: 9,
	}, pcapgo.NgWriterOptions{SectionInfo: pcapgo.NgSectionInfo{Application: "plumbline"}})
	if err != nil {
		return nil, err
	}
	return &Writer{out}, nil
}

// Write adds bytes that came together, with comments on them.
func (w *Writer) Write(b []byte, at decode.Stamp, comments ...string) error {
	for len(b) > 0 || len(comments) > 0 {
		n := min(len(b), mostPacket)
		data := appendSerial(nil, at, b[:n])
		err := w.out.WritePacketWithOptions(gopacket.CaptureInfo{
			Timestamp: at.Wall, CaptureLength: len(data), Length: len(data),
		}, data, pcapgo.NgPacketOptions{Comments: comments})
		if err != nil {
			return err
		}
		b, comments = b[n:], nil
	}
	return nil
}

// Flush writes out what is buffered.
func (w *Writer) Flush() error { return w.out.Flush() }
