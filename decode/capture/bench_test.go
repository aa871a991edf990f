package capture

import (
	"bytes"
	"encoding/binary"
	"io"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"

	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// longCapture is a conversation of n reads of 10 registers and more.
func longCapture(n int) []byte {
	k := newTalk()
	k.open()
	for i := range n {
		q, a := reads(uint16(i), 17, i%1000, 10+i%116)
		k.say(true, q)
		k.say(false, a)
	}
	return pcap(binary.LittleEndian, false, 1, k.packets...)
}

// walk reads a file and looks at each packet's headers, and does nothing more.
func walk(file []byte) (n int) {
	r, err := pcapgo.NewReader(bytes.NewReader(file))
	if err != nil {
		panic(err)
	}
	var eth layers.Ethernet
	var ip layers.IPv4
	var tcp layers.TCP
	parser := gopacket.NewDecodingLayerParser(layers.LayerTypeEthernet, &eth, &ip, &tcp)
	parser.IgnoreUnsupported = true
	var decoded []gopacket.LayerType
	for {
		data, _, err := r.ZeroCopyReadPacketData()
		if err == io.EOF {
			return n
		}
		if parser.DecodeLayers(data, &decoded) == nil {
			n += len(tcp.Payload)
		}
	}
}

// BenchmarkCapture is a capture file to exchanges, beside the packet walk alone.
func BenchmarkCapture(b *testing.B) {
	file := longCapture(20000)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n = 0
		Read(bytes.NewReader(file), Settings{}, func(i Item) {
			if i.Heard != nil {
				n++
			}
		})
	}
	if n != 20000 {
		b.Fatalf("%d exchanges", n)
	}
	ours := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(perRun(func() { walk(file) })/ours, "of-the-walk")
}

// BenchmarkMBAP decodes answers of 125 registers into a caller's slice, both
// sides checking and unpacking all; beside a parse by hand and the capture
// library's own layer, which reads the header only.
func BenchmarkMBAP(b *testing.B) {
	_, answer := reads(1, 17, 100, 125)
	request := frame.Read(4, 100, 125)
	registers := make([]uint16, 0, 125)
	hand := make([]uint16, 125)
	var layer layers.ModbusTCP
	codec := frame.Codec{Framing: line.MBAP}
	b.ReportAllocs()
	for b.Loop() {
		adu, _, _, err := codec.Next(answer)
		if err != nil {
			b.Fatal(err)
		}
		r, err := frame.Match(request, adu.PDU)
		if err != nil {
			b.Fatal(err)
		}
		registers = r.Registers(registers[:0])
	}
	ours := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(perRun(func() { byHand(answer, hand) })/ours, "of-by-hand")
	b.ReportMetric(perRun(func() { layer.DecodeFromBytes(answer, gopacket.NilDecodeFeedback) })/ours, "of-header-layer")
	b.ReportMetric(perRun(func() { codec.Next(answer) })*1e9, "ns-header-only")
}

// perRun is the seconds that one run of a peer takes.
func perRun(run func()) float64 {
	for n := 1; ; n *= 2 {
		began := time.Now()
		for range n {
			run()
		}
		if d := time.Since(began); d > 300*time.Millisecond {
			return d.Seconds() / float64(n)
		}
	}
}

// byHand is what someone would write for this one frame.
func byHand(b []byte, dst []uint16) bool {
	if len(b) < 9 || b[2] != 0 || b[3] != 0 || int(binary.BigEndian.Uint16(b[4:])) != len(b)-6 || b[6] != 17 || b[7] != 3 || int(b[8]) != 2*len(dst) || len(b) != 9+2*len(dst) {
		return false
	}
	for i := range dst {
		dst[i] = binary.BigEndian.Uint16(b[9+2*i:])
	}
	return true
}
