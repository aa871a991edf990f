package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// plain is a connection with n reads.
func plain(n int, link func([]byte) []byte) *talk {
	k := newTalk()
	if link != nil {
		k.link = link
	}
	k.open()
	for i := range n {
		q, a := reads(uint16(i+1), 17, 100+i, 4)
		k.say(true, q)
		k.say(false, a)
	}
	return k
}

// Every file format and link type gives the same exchanges.
func TestFormats(t *testing.T) {
	links := []struct {
		name   string
		number uint32
		wrap   func([]byte) []byte
	}{
		{"ethernet", 1, func(ip []byte) []byte { return ethernet(ip) }},
		{"ethernet with two tags", 1, func(ip []byte) []byte { return ethernet(ip, 5, 9) }},
		{"linux cooked", 113, func(ip []byte) []byte { return append(append(make([]byte, 14), 8, 0), ip...) }},
		{"linux cooked, version 2", 276, func(ip []byte) []byte { return append(append([]byte{8, 0}, make([]byte, 18)...), ip...) }},
		{"raw IP", 101, func(ip []byte) []byte { return ip }},
		{"raw IPv4", 228, func(ip []byte) []byte { return ip }},
		{"loopback", 0, func(ip []byte) []byte { return append([]byte{2, 0, 0, 0}, ip...) }},
		{"loopback, other order", 108, func(ip []byte) []byte { return append([]byte{0, 0, 0, 2}, ip...) }},
	}
	for _, l := range links {
		k := plain(3, l.wrap)
		files := map[string][]byte{
			"pcap little micro": pcap(binary.LittleEndian, false, l.number, k.packets...),
			"pcap big micro":    pcap(binary.BigEndian, false, l.number, k.packets...),
			"pcap little nano":  pcap(binary.LittleEndian, true, l.number, k.packets...),
			"pcap big nano":     pcap(binary.BigEndian, true, l.number, k.packets...),
			"pcapng little":     pcapng(binary.LittleEndian, uint16(l.number), k.packets...),
			"pcapng big":        pcapng(binary.BigEndian, uint16(l.number), k.packets...),
		}
		for name, file := range files {
			f := look(file, Settings{})
			if n := f.answered(t); n != 3 || f.err != nil || len(f.notes) > 0 || len(f.pieces) != 6 {
				t.Errorf("%s, %s: %d exchanges, %d frames, notes %v, %v", l.name, name, n, len(f.pieces), f.kinds(), f.err)
				continue
			}
			if d := f.heard[0].Done.Sub(f.heard[0].Left); d != time.Millisecond {
				t.Errorf("%s, %s: latency %v", l.name, name, d)
			}
		}
	}
}

func TestIPv6(t *testing.T) {
	k := newTalk()
	k.from, k.to = client6, server6
	k.open()
	q, a := reads(1, 1, 10, 2)
	k.say(true, q)
	k.say(false, a)
	if f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{}); f.answered(t) != 1 {
		t.Errorf("%d exchanges", len(f.heard))
	}
}

// However segments are cut, glued, doubled, swapped and lost and sent again, the
// same exchanges come out.
func TestReassembly(t *testing.T) {
	var up, down []byte
	for i := range 40 {
		q, a := reads(uint16(i+1), 17, 3*i, 1+i%125)
		up, down = append(up, q...), append(down, a...)
	}
	for seed := range uint64(60) {
		dice := rand.New(rand.NewPCG(seed, 7))
		k := newTalk()
		k.up, k.down = ^uint32(0)-uint32(dice.IntN(3000)), ^uint32(0)-uint32(dice.IntN(9000)) // both wrap
		k.open()
		first := len(k.packets)
		turn := 0 // where the packets of the other side begin; an acknowledgement never comes before what it acknowledges
		cut := func(fromClient bool, b []byte) {
			turn = len(k.packets)
			for len(b) > 0 {
				n := 1 + dice.IntN(min(len(b), 1+dice.IntN(400)))
				k.say(fromClient, b[:n])
				b = b[n:]
			}
		}
		cut(true, up)
		cut(false, down)
		body := k.packets[first:]
		for i := range body { // swap near ones, repeat some
			if j := i + dice.IntN(4); j < len(body) && (i < turn-first) == (j < turn-first) && dice.IntN(3) == 0 {
				body[i].data, body[j].data = body[j].data, body[i].data
			}
			if dice.IntN(5) == 0 {
				k.packets = append(k.packets, packet{at: k.at, data: body[dice.IntN(i+1)].data})
			}
		}
		f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
		if n := f.answered(t); n != 40 {
			t.Fatalf("seed %d: %d of 40 exchanges, notes %v", seed, n, f.kinds())
		}
		if slices.Contains(f.kinds(), Conflict) {
			t.Errorf("seed %d: equal copies taken for different ones", seed)
		}
	}
}

// A packet that the capture missed, but the line did not: what the other side
// has acknowledged comes on, the frames around the hole stand, nothing is
// invented inside. Row E5.
func TestE5AHoleIsToldAndNotReadOver(t *testing.T) {
	k := newTalk()
	k.open()
	for i := range 10 {
		q, a := reads(uint16(i+1), 17, 10*i, 10)
		k.say(true, q)
		k.say(false, a)
	}
	for _, missing := range [][]int{{4}, {3}, {3, 4}, {5, 6, 7}, {8}} {
		var kept []packet
		for i, p := range k.packets {
			if !slices.Contains(missing, i) {
				kept = append(kept, p)
			}
		}
		f := look(pcap(binary.LittleEndian, false, 1, kept...), Settings{})
		lost := 0
		for _, n := range f.notes {
			if n.Kind == BytesLost {
				lost += n.Lost
			}
		}
		want := 0
		for _, i := range missing {
			want += len(k.packets[i].data) - 14 - 40
		}
		if n := f.answered(t); n < 10-len(missing) || lost != want {
			t.Errorf("without packets %v: %d exchanges, %d bytes told as lost, want %d; notes %v", missing, n, lost, want, f.kinds())
		}
	}
}

// A repetition with other contents: the first copy counts, and it is told. E5.
func TestE5ConflictingCopies(t *testing.T) {
	k := newTalk()
	k.open()
	q, a := reads(1, 17, 100, 4)
	k.say(true, q)
	k.say(false, a)
	other := bytes.Clone(a)
	other[len(other)-1] ^= 1
	k.add(tcpPacket(k.to, k.from, k.down-uint32(len(a)), k.up, ack, other))
	q, a = reads(2, 17, 104, 4)
	k.say(true, q)
	k.say(false, a)
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	if f.answered(t) != 2 || !slices.Equal(f.kinds(), []Kind{Conflict}) {
		t.Errorf("%d exchanges, notes %v", len(f.heard), f.kinds())
	}
}

// The same ports again, after an end, after a reset, and without any: a SYN
// begins a new stream. E5.
func TestE5ReusedPorts(t *testing.T) {
	for name, end := range map[string]func(*talk){
		"closed": func(k *talk) {
			k.add(tcpPacket(k.from, k.to, k.up, k.down, fin|ack, nil))
			k.add(tcpPacket(k.to, k.from, k.down, k.up+1, fin|ack, nil))
		},
		"reset":     func(k *talk) { k.add(tcpPacket(k.to, k.from, k.down, k.up, rst, nil)) },
		"half-open": func(*talk) {},
		"one-sided": func(k *talk) { k.add(tcpPacket(k.from, k.to, k.up, k.down, fin|ack, nil)) },
	} {
		k := newTalk()
		for round := range 3 {
			k.up, k.down = uint32(7000*round+9), uint32(900*round+3)
			k.open()
			q, a := reads(uint16(round), 17, 100, 4)
			k.say(true, q)
			k.say(false, a)
			end(k)
		}
		f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
		if f.answered(t) != 3 || f.sum.Streams != 3 || len(f.notes) > 0 {
			t.Errorf("%s: %d exchanges in %d streams, notes %v", name, len(f.heard), f.sum.Streams, f.kinds())
		}
	}
}

// A capture that begins in the middle of a connection finds its borders, and
// calls nothing certain before a pair was seen.
func TestMidway(t *testing.T) {
	k := newTalk()
	_, late := reads(9, 17, 100, 20)
	k.say(false, late[11:]) // the rest of an answer
	for i := range 3 {
		q, a := reads(uint16(i+10), 17, 100, 4)
		k.say(true, q)
		k.say(false, a)
	}
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	if f.answered(t) != 3 || len(f.notes) > 0 {
		t.Errorf("%d exchanges, notes %v", len(f.heard), f.kinds())
	}
	if p := f.pieces[0]; p.Certainty != segment.Possible || p.Direction != frame.Asking {
		t.Errorf("the first frame is %v, %v", p.Certainty, p.Direction)
	}
	if p := f.pieces[1]; p.Certainty != segment.Certain {
		t.Errorf("an answer with its request is %v", p.Certainty)
	}
}

// Other protocols on the port are named with their first bytes, and no frame is
// invented. Row E7.
func TestE7OtherProtocols(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 2))
	noise := make([]byte, 20000)
	for i := range noise {
		noise[i] = byte(dice.Uint32())
	}
	for name, v := range map[string]struct {
		up, down []byte
		want     Kind
	}{
		"http":   {[]byte("GET / HTTP/1.1\r\nHost: example\r\n\r\n"), []byte("HTTP/1.1 200 OK\r\n\r\n"), NotModbus},
		"tls":    {[]byte{0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC, 3, 3}, []byte{0x16, 3, 3, 0, 0x7A, 2, 0, 0, 0x76}, Secured},
		"random": {noise, noise[1:], NotModbus},
	} {
		for _, midway := range []bool{false, true} {
			k := newTalk()
			if !midway {
				k.open()
			}
			for at := 0; at < len(v.up); at += 700 {
				k.say(true, v.up[at:min(at+700, len(v.up))])
				if at < len(v.down) {
					k.say(false, v.down[at:min(at+700, len(v.down))])
				}
			}
			f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
			if len(f.pieces) > 0 || len(f.heard) > 0 {
				t.Errorf("%s: %d frames, %d exchanges", name, len(f.pieces), len(f.heard))
			}
			if !midway && (len(f.notes) != 1 || f.notes[0].Kind != v.want) {
				t.Errorf("%s: notes %v, want %v once", name, f.kinds(), v.want)
			}
			if v.want == NotModbus && len(f.notes) > 0 && !bytes.Contains(append(bytes.Clone(v.up), v.down...), f.notes[0].Bytes[:8]) {
				t.Errorf("%s: first bytes % x", name, f.notes[0].Bytes)
			}
		}
	}
}

// Fragments, other packets and stacked headers are counted, not read. Row E6.
func TestE6NestedAndFragmented(t *testing.T) {
	deep := ipPacket(clientPlace, serverPlace, 17, nil)
	for range 1000 {
		deep = ipPacket(clientPlace, serverPlace, 4, deep)
		if len(deep) > 60000 {
			break
		}
	}
	piece := tcpPacket(clientPlace, serverPlace, 1, 0, ack, []byte{1, 2, 3})
	piece[6] = 0x20 // more fragments
	arp := append(make([]byte, 12), 8, 6, 0, 1, 2, 3)
	tags := make([]uint16, 40)
	f := look(pcap(binary.LittleEndian, false, 1,
		packet{data: ethernet(deep)}, packet{data: ethernet(piece)}, packet{data: arp}, packet{data: []byte{1, 2}},
		packet{data: ethernet(piece, tags...)}), Settings{})
	want := Summary{Packets: 5, Other: 1, Fragments: 1, Nested: 2, Malformed: 1}
	if f.sum != want || f.err != nil {
		t.Errorf("%+v, %v; want %+v", f.sum, f.err, want)
	}
}

// Times as they are: backwards, zero, beyond 2106. Row E8.
func TestE8TimesOfAnyKind(t *testing.T) {
	k := plain(3, nil)
	for i := range k.packets {
		k.packets[i].at = []time.Duration{0, time.Duration(1<<32-1) * time.Second, time.Hour, time.Second}[i%4]
	}
	if f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{}); f.answered(t) < 1 || f.err != nil {
		t.Errorf("%d exchanges, %v", len(f.heard), f.err)
	}
}

// Datagrams: one is one frame, and half a frame is told.
func TestUDP(t *testing.T) {
	q, a := reads(7, 17, 100, 4)
	var packets []packet
	for i, ip := range [][]byte{
		udpPacket(clientPlace, serverPlace, q), udpPacket(serverPlace, clientPlace, a[:9]),
		udpPacket(clientPlace, serverPlace, q), udpPacket(serverPlace, clientPlace, a),
	} {
		packets = append(packets, packet{at: time.Duration(i) * time.Second, data: ethernet(ip)})
	}
	f := look(pcap(binary.LittleEndian, false, 1, packets...), Settings{})
	if f.answered(t) != 1 || len(f.heard) != 2 || f.heard[0].Outcome != segment.Unanswered || !slices.Equal(f.kinds(), []Kind{HalfFrame}) {
		t.Errorf("%d exchanges, notes %v", len(f.heard), f.kinds())
	}
}

// RTU and ASCII inside TCP, on a port of the user's.
func TestTurnsInTCP(t *testing.T) {
	for _, f := range []line.Framing{line.RTU, line.ASCII} {
		k := newTalk()
		k.to = clientPlace
		k.to, k.from = serverPlace, clientPlace
		k.open()
		for i := range 5 {
			q, a := reads(0, 17, 100+i, 4)
			for from, pdu := range map[bool][]byte{true: q[7:]} {
				adu, _ := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: 17, PDU: pdu})
				k.say(from, adu)
			}
			adu, _ := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: 17, PDU: a[7:]})
			k.say(false, adu)
		}
		got := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{Options: Options{Framing: f}})
		if n := got.answered(t); n != 5 {
			t.Errorf("%v in TCP: %d exchanges of 5, notes %v", f, n, got.kinds())
		}
	}
}

// What is written comes back, byte for byte and at its times.
func TestSerialRoundTrip(t *testing.T) {
	var file bytes.Buffer
	w, err := NewWriter(&file, "/dev/ttyS0", "19200 8E1, rtu")
	if err != nil {
		t.Fatal(err)
	}
	began := time.Date(2026, 11, 25, 12, 0, 0, 123456789, time.UTC)
	for i := range 6 {
		q, a := reads(0, 17, 100+i, 4)
		for j, b := range [][]byte{rtu(17, q[7:]...), rtu(17, a[7:]...)} {
			at := time.Duration(2*i+j) * 10 * time.Millisecond
			if err := w.Write(b, decode.Stamp{Wall: began.Add(at), Steady: at}, fmt.Sprintf("piece %d", 2*i+j)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	f := look(file.Bytes(), Settings{Serial: line.DefaultSerial("")})
	if n := f.answered(t); n != 6 || f.err != nil {
		t.Fatalf("%d exchanges, %v, notes %v", n, f.err, f.kinds())
	}
	if got := f.pieces[0].First.Wall; !got.Equal(began) {
		t.Errorf("first at %v, want %v", got, began)
	}
	if !bytes.Contains(file.Bytes(), []byte("piece 3")) || !bytes.Contains(file.Bytes(), []byte("/dev/ttyS0")) {
		t.Error("comments or names are missing")
	}
}

// Damaged classic files: what is whole comes, the rest is named, and memory is
// not taken for what is only claimed. Row E3.
func TestE3DamagedPcap(t *testing.T) {
	k := plain(3, nil)
	whole := pcap(binary.LittleEndian, false, 1, k.packets...)
	cut := look(whole[:len(whole)-5], Settings{})
	if cut.answered(t) != 2 || cut.err == nil || cut.err.Error() == "" {
		t.Errorf("cut: %d exchanges, %v", len(cut.heard), cut.err)
	}
	for name, change := range map[string]func([]byte){
		"snap length 0":            func(b []byte) { clear(b[16:20]) },
		"captured 4 GiB":           func(b []byte) { copy(b[24+8:], []byte{0xFF, 0xFF, 0xFF, 0xFF}) },
		"captured beyond original": func(b []byte) { copy(b[24+12:], []byte{1, 0, 0, 0}) },
		"both 2 GiB":               func(b []byte) { copy(b[24+8:], []byte{0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF, 0x7F}) },
	} {
		b := bytes.Clone(whole)
		change(b)
		before := allocated()
		f := look(b, Settings{})
		if grown := allocated() - before; grown > 4<<20 {
			t.Errorf("%s: %d bytes taken", name, grown)
		}
		if name == "snap length 0" && f.answered(t) != 3 {
			t.Errorf("%s: %d exchanges, %v", name, len(f.heard), f.err)
		}
		if name != "snap length 0" && f.err == nil {
			t.Errorf("%s: no word about it", name)
		}
	}
}

// Damaged blocks. Row E4.
func TestE4DamagedPcapng(t *testing.T) {
	k := plain(3, nil)
	whole := pcapng(binary.LittleEndian, 1, k.packets...)
	first := 28 + 32 // the first packet block: after section and interface
	if binary.LittleEndian.Uint32(whole[first:]) != 6 {
		t.Fatal("the test's own file has its blocks elsewhere")
	}
	for name, change := range map[string]func([]byte){
		"length 0":           func(b []byte) { clear(b[first+4 : first+8]) },
		"length odd":         func(b []byte) { b[first+4]++ },
		"length 4 GiB":       func(b []byte) { copy(b[first+4:], []byte{0xFC, 0xFF, 0xFF, 0xFF}) },
		"unknown interface":  func(b []byte) { b[first+8] = 9 },
		"captured 2 GiB":     func(b []byte) { copy(b[first+20:], []byte{0xFF, 0xFF, 0xFF, 0x7F}) },
		"resolution 2^-127":  func(b []byte) { b[28+16+4] = 0xFF },
		"resolution 10^-127": func(b []byte) { b[28+16+4] = 0x7F },
	} {
		b := bytes.Clone(whole)
		change(b)
		before := allocated()
		f := look(b, Settings{})
		if grown := allocated() - before; grown > 4<<20 {
			t.Errorf("%s: %d bytes taken", name, grown)
		}
		t.Logf("%s: %d exchanges, %v", name, len(f.heard), f.err)
	}
}

// Compressed files and others are refused by name. Row E10.
func TestE10Refused(t *testing.T) {
	for want, files := range map[error][]string{
		ErrCompressed: {"\x1f\x8b\x08\x00aaaa", "\x28\xb5\x2f\xfdaaaa", "\xfd7zXZ\x00", "BZh9aaa"},
		ErrNotCapture: {"", "abc", "abcdefgh", "\x0a\x0d\x0d\x0a", "\xd4\xc3\xb2\xa1\x02"},
	} {
		for _, text := range files {
			if _, err := Read(bytes.NewReader([]byte(text)), Settings{}, func(Item) { t.Error("found something") }); !errors.Is(err, want) {
				t.Errorf("%q: %v, want %v", text, err, want)
			}
		}
	}
}

// Packets that the file holds in part only end the trust in their stream.
func TestSnappedPackets(t *testing.T) {
	k := plain(4, nil)
	p := &k.packets[6] // the second answer
	p.data, p.cut = p.data[:len(p.data)-6], 6
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	if f.answered(t) != 3 || f.sum.Cut != 1 || !slices.Contains(f.kinds(), BytesLost) {
		t.Errorf("%d exchanges, notes %v, %+v", len(f.heard), f.kinds(), f.sum)
	}
}

// Answers out of their order, and more requests open than one: the transaction
// says what belongs together. A transaction used twice leaves the first
// unanswered; an answer to none is told.
func TestTransactions(t *testing.T) {
	k := newTalk()
	k.open()
	q1, a1 := reads(1, 17, 100, 2)
	q2, a2 := reads(2, 17, 200, 2)
	k.say(true, append(bytes.Clone(q1), q2...))
	k.say(false, append(bytes.Clone(a2), a1...))
	k.say(true, q1)
	k.say(true, q1)
	k.say(false, a1)
	k.say(false, a1)
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	var got []segment.Outcome
	for _, h := range f.heard {
		got = append(got, h.Outcome)
	}
	if want := []segment.Outcome{segment.Answered, segment.Answered, segment.Unanswered, segment.Answered, segment.Unasked}; !slices.Equal(got, want) {
		t.Errorf("outcomes %v, want %v", got, want)
	}
	if f.heard[4].Cause != regmap.Mismatch || f.heard[0].Request.Address != 200 {
		t.Errorf("%v", f.heard)
	}
}

// The wait for an answer that never comes is over when the client goes on, though
// the answer may still come and find its request.
func TestSilenceEndsWithTheNextRequest(t *testing.T) {
	k := newTalk()
	k.open()
	late, answer := reads(1, 17, 100, 2)
	lost, _ := reads(2, 17, 200, 2)
	next, good := reads(3, 17, 300, 2)
	for _, q := range [][]byte{late, lost, next} {
		k.at += time.Second
		k.say(true, q)
	}
	k.say(false, good)
	k.at += time.Second
	k.say(false, answer)
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	if n := f.answered(t); n != 2 || len(f.heard) != 3 {
		t.Fatalf("%d of %d", n, len(f.heard))
	}
	for _, h := range f.heard {
		if took := h.Done.Sub(h.Left); h.Outcome == segment.Unanswered && took != time.Second+time.Millisecond || h.Request.Address == 100 && took < 3*time.Second {
			t.Errorf("%v of address %d after %s", h.Outcome, h.Request.Address, took)
		}
	}
}

// A request that is repeated with a new transaction, and answered then, was
// unanswered before: the two come in the order of their asking.
func TestRepeatsInOrder(t *testing.T) {
	k := newTalk()
	k.open()
	first, _ := reads(1, 17, 100, 2)
	other, answer := reads(2, 17, 200, 2)
	again, good := reads(3, 17, 100, 2)
	k.say(true, first)
	k.say(true, other)
	k.say(false, answer)
	k.say(true, again)
	k.say(false, good)
	f := look(pcap(binary.LittleEndian, false, 1, k.packets...), Settings{})
	var got []string
	for _, h := range f.heard {
		got = append(got, fmt.Sprint(h.Outcome, h.ID.Number, h.Request.Address))
	}
	if want := []string{"answered 2 200", "unanswered 1 100", "answered 3 100"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// slow reads a file in small pieces, as from a pipe.
type slow struct{ io.Reader }

func (s slow) Read(b []byte) (int, error) { return s.Reader.Read(b[:min(len(b), 3)]) }

func TestReadInPieces(t *testing.T) {
	k := plain(3, nil)
	n := 0
	if _, err := Read(slow{bytes.NewReader(pcap(binary.LittleEndian, false, 1, k.packets...))}, Settings{}, func(i Item) {
		if i.Heard != nil {
			n++
		}
	}); err != nil || n != 3 {
		t.Errorf("%d exchanges, %v", n, err)
	}
}

// Streams without end hold no more than their bounds.
func TestMemoryIsBounded(t *testing.T) {
	var h half
	held := 0
	h.take(parcel{seq: 0, payload: []byte{1}}, decode.Stamp{}, 1, func(given) {})
	for i := range 20000 {
		h.take(parcel{seq: uint32(2 + 2*1000*i), payload: make([]byte, 1000)}, decode.Stamp{}, i, func(given) {})
		held = max(held, h.waiting)
	}
	if held > mostHeld+1000 || len(h.pending) > mostPieces+1 || len(h.past) > 2*remembered+1000 {
		t.Errorf("held %d bytes in %d pieces, remembered %d", held, len(h.pending), len(h.past))
	}
	tab := newTable(Options{}, func(*Chunk) {})
	for i := range 3 * mostStreams {
		s := parcel{from: clientPlace, to: serverPlace, seq: 1, payload: []byte{1}}
		s.from = netAt(i)
		tab.take(&s, decode.Stamp{}, i)
	}
	if len(tab.open) > mostStreams || tab.order.Len() != len(tab.open) {
		t.Errorf("%d streams are open", len(tab.open))
	}
}
