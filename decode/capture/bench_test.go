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

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/decode/traffic"
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

// BenchmarkCapture is a capture file to exchanges, to all frames, and to the
// findings of the traffic engine, each beside the packet walk alone.
func BenchmarkCapture(b *testing.B) {
	file := longCapture(20000)
	read := func(b *testing.B, s Settings, take func(*segment.Heard)) {
		n := 0
		if _, err := Read(bytes.NewReader(file), s, func(i Item) {
			if i.Heard != nil {
				n++
				take(i.Heard)
			}
		}); err != nil || n != 20000 {
			b.Fatalf("%d exchanges, %v", n, err)
		}
	}
	b.Run("exchanges", func(b *testing.B) {
		besideTheWalk(b, file, func() { read(b, Settings{ExchangesOnly: true}, func(*segment.Heard) {}) })
	})
	b.Run("frames", func(b *testing.B) {
		besideTheWalk(b, file, func() { read(b, Settings{}, func(*segment.Heard) {}) })
	})
	b.Run("findings", func(b *testing.B) {
		besideTheWalk(b, file, func() {
			state := traffic.New(traffic.Config{Framing: line.MBAP, Seen: traffic.Between})
			read(b, Settings{ExchangesOnly: true}, func(h *segment.Heard) { state.Add(decode.Event{At: h.Done, Exchange: h.Exchange}) })
			state.Findings()
		})
	})
}

// besideTheWalk times run and the packet walk in turns and gives the ratio of
// the fastest of each, which other work on the machine disturbs least.
func besideTheWalk(b *testing.B, file []byte, run func()) {
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	timed := func(run func()) time.Duration {
		began := time.Now()
		run()
		return time.Since(began)
	}
	ours, walked := time.Hour, time.Hour
	for b.Loop() {
		ours = min(ours, timed(run))
		b.StopTimer()
		walked = min(walked, timed(func() { walk(file) }))
		b.StartTimer()
	}
	b.ReportMetric(walked.Seconds()/ours.Seconds(), "of-the-walk")
	b.ReportMetric(float64(len(file))/1e6/ours.Seconds(), "MB/s-fastest")
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
