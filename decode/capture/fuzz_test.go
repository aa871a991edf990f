package capture

import (
	"bytes"
	"encoding/binary"
	"net/netip"
	"runtime/metrics"
	"testing"

	"plumbline/regmap/line"
)

// netAt is a client's place of its own.
func netAt(i int) netip.AddrPort {
	return netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, byte(i >> 24), byte(i >> 16), 1}), uint16(i))
}

// bounded reads a file and holds the memory taken against its size: what a file
// only claims costs nothing. The constant holds the reader's buffers.
func bounded(t *testing.T, file []byte) {
	before := allocated()
	for _, f := range []line.Framing{line.MBAP, line.RTU} {
		found := 0
		Read(bytes.NewReader(file), Settings{Options: Options{Framing: f}}, func(i Item) {
			if found++; i.Piece != nil && len(i.Piece.Bytes) > len(file) {
				t.Errorf("a frame of %d bytes in a file of %d", len(i.Piece.Bytes), len(file))
			}
		})
	}
	if taken := allocated() - before; taken > uint64(len(file))*400+8<<20 {
		t.Errorf("%d bytes taken for a file of %d", taken, len(file))
	}
}

func FuzzPcap(f *testing.F) {
	for _, nano := range []bool{false, true} {
		f.Add(pcap(binary.LittleEndian, nano, 1, plain(2, nil).packets...))
		f.Add(pcap(binary.BigEndian, nano, 101, plain(1, func(ip []byte) []byte { return ip }).packets...))
	}
	f.Add(pcap(binary.LittleEndian, false, 250, packet{data: appendSerial(nil, stampAt(0), rtu(17, 3, 0, 1, 0, 2))}))
	f.Fuzz(bounded)
}

func FuzzPcapng(f *testing.F) {
	f.Add(pcapng(binary.LittleEndian, 1, plain(2, nil).packets...))
	f.Add(pcapng(binary.BigEndian, 113, plain(1, func(ip []byte) []byte { return append(append(make([]byte, 14), 8, 0), ip...) }).packets...))
	f.Fuzz(bounded)
}

// FuzzReassembly sends two directions of a conversation in segments that the
// input cuts, doubles and swaps within what a half may hold; the frames are
// those of the straight conversation.
func FuzzReassembly(f *testing.F) {
	f.Add([]byte{9, 1, 200, 3, 3, 3, 0, 250})
	f.Add([]byte{0})
	f.Fuzz(func(t *testing.T, script []byte) {
		var up, down []byte
		for i := range 12 {
			q, a := reads(uint16(i+1), 17, 7*i, 1+5*i)
			up, down = append(up, q...), append(down, a...)
		}
		k := newTalk()
		k.open()
		first, at := len(k.packets), 0
		next := func() int {
			if len(script) == 0 {
				return 1
			}
			at++
			return int(script[(at-1)%len(script)])
		}
		turn := 0 // an acknowledgement never comes before what it acknowledges
		for _, side := range []bool{true, false} {
			turn = len(k.packets) - first
			b := map[bool][]byte{true: up, false: down}[side]
			for len(b) > 0 {
				n := min(len(b), 1+next())
				k.say(side, b[:n])
				b = b[n:]
			}
		}
		body := k.packets[first:]
		for i := range body {
			if j := i + next()%4; j < len(body) && (i < turn) == (j < turn) {
				body[i], body[j] = body[j], body[i]
			}
			if n := next(); n%3 == 0 {
				k.packets = append(k.packets, packet{at: k.at, data: body[n%(i+1)].data})
			}
		}
		got := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
		if n := got.answered(t); n != 12 {
			t.Errorf("%d of 12 exchanges, notes %v", n, got.kinds())
		}
	})
}

// allocated is how many bytes the program has ever taken, near enough.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}
