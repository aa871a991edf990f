package main

import (
	"encoding/binary"
	"encoding/json"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The captures of these tests are written here, byte by byte, from the drafts of
// the file formats and the RFCs of the headers (draft-ietf-opsawg-pcap, 4 and 5;
// RFC 791, 3.1; RFC 9293, 3.1; RFC 768); nothing of it is shared with what reads
// them.

var (
	clientAt = netip.MustParseAddrPort("192.0.2.1:40000")
	serverAt = netip.MustParseAddrPort("192.0.2.10:502")
)

// A wireTape writes a classic capture, little-endian, microseconds, Ethernet.
type wireTape struct {
	file     []byte
	at       time.Time
	up, down uint32
	client   netip.AddrPort
	server   netip.AddrPort
}

func newWireTape() *wireTape {
	r := &wireTape{at: time.Unix(1_764_000_000, 0), up: 1000, down: 5000, client: clientAt, server: serverAt}
	for _, v := range []uint32{0xA1B2C3D4, 4<<16 | 2, 0, 0, 262144, 1} {
		r.file = binary.LittleEndian.AppendUint32(r.file, v)
	}
	return r
}

func (r *wireTape) packet(protocol byte, from, to netip.AddrPort, body []byte) {
	n := 20 + len(body)
	b := append(make([]byte, 12), 8, 0)
	b = append(b, 0x45, 0, byte(n>>8), byte(n), 0, 0, 0, 0, 64, protocol, 0, 0)
	b = append(append(b, from.Addr().AsSlice()...), to.Addr().AsSlice()...)
	b = append(b, body...)
	for _, v := range []uint32{uint32(r.at.Unix()), uint32(r.at.Nanosecond() / 1000), uint32(len(b)), uint32(len(b))} {
		r.file = binary.LittleEndian.AppendUint32(r.file, v)
	}
	r.file = append(r.file, b...)
}

// tcp sends a segment; flags as in RFC 9293, 3.1 (2 SYN, 16 ACK, 1 FIN).
func (r *wireTape) tcp(fromClient bool, flags byte, payload []byte) {
	from, to, mine, others := r.client, r.server, &r.up, &r.down
	if !fromClient {
		from, to, mine, others = r.server, r.client, &r.down, &r.up
	}
	t := binary.BigEndian.AppendUint16(nil, from.Port())
	t = binary.BigEndian.AppendUint16(t, to.Port())
	t = binary.BigEndian.AppendUint32(t, *mine)
	t = binary.BigEndian.AppendUint32(t, *others)
	t = append(t, 5<<4, flags, 0xFF, 0xFF, 0, 0, 0, 0)
	r.packet(6, from, to, append(t, payload...))
	*mine += uint32(len(payload))
	if flags&3 != 0 {
		*mine++
	}
}

func (r *wireTape) open() *wireTape {
	r.tcp(true, 2, nil)
	r.tcp(false, 18, nil)
	r.tcp(true, 16, nil)
	return r
}

// say sends bytes after a while.
func (r *wireTape) say(fromClient bool, after time.Duration, b []byte) *wireTape {
	r.at = r.at.Add(after)
	r.tcp(fromClient, 16, b)
	return r
}

func (r *wireTape) datagram(fromClient bool, after time.Duration, b []byte) *wireTape {
	r.at = r.at.Add(after)
	from, to := r.client, r.server
	if !fromClient {
		from, to = to, from
	}
	u := binary.BigEndian.AppendUint16(nil, from.Port())
	u = binary.BigEndian.AppendUint16(u, to.Port())
	u = binary.BigEndian.AppendUint16(u, uint16(8+len(b)))
	r.packet(17, from, to, append(append(u, 0, 0), b...))
	return r
}

// mbapFrame wraps a PDU. Source: TCP guide V1.0b, 3.1.3.
func mbapFrame(id uint16, unit byte, pdu ...byte) []byte {
	n := len(pdu) + 1
	return append([]byte{byte(id >> 8), byte(id), 0, 0, byte(n >> 8), byte(n), unit}, pdu...)
}

// rtuFrame wraps a PDU; the CRC bit by bit. Source: serial guide V1.02, 6.2.2.
func rtuFrame(unit byte, pdu ...byte) []byte {
	b := append([]byte{unit}, pdu...)
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return append(b, byte(crc), byte(crc>>8))
}

// The read of the cistern's first eight input registers and its answer: level
// 13707, flow 66 66 41 46 ...; and the write of lead-start with its echo.
var (
	readEight  = []byte{4, 0, 0, 0, 8}
	givesEight = []byte{4, 16, 0x35, 0x8B, 0, 0, 0x66, 0x66, 0x41, 0x46, 0, 2, 0xC8, 0xE4, 0x29, 0x94, 0, 115}
	writeLead  = []byte{6, 0, 32, 0x06, 0x72}
	readBeyond = []byte{3, 1, 0x2C, 0, 4}
	refuses02  = []byte{0x83, 2}
)

// tappedPoll is a capture of n cycles of the panel with a good station.
func tappedPoll(n int) *wireTape {
	r := newWireTape().open()
	id := uint16(0)
	ask := func(q, a []byte, pause time.Duration) {
		id++
		r.say(true, pause, mbapFrame(id, 17, q...))
		r.say(false, 12*time.Millisecond, mbapFrame(id, 17, a...))
	}
	for range n {
		ask(readEight, givesEight, 488*time.Millisecond)
	}
	return r
}

// inFile puts bytes into a file of a folder of its own.
func inFile(t *testing.T, name string, b []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// lines reads JSON lines.
func jsonLines(t *testing.T, out string) (all []map[string]any) {
	t.Helper()
	for text := range strings.Lines(out) {
		var row map[string]any
		if err := json.Unmarshal([]byte(text), &row); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		all = append(all, row)
	}
	return all
}

func fileBytes(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// addrOf is a client's place of its own.
func addrOf(n int) netip.AddrPort {
	return netip.AddrPortFrom(netip.AddrFrom4([4]byte{192, 0, 2, byte(n)}), 40000)
}
