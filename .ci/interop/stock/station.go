package main

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"time"

	"plumbline/interop/terminal"
)

const (
	unit     = 17
	words    = 2 // registers in each read
	spacing  = 4 // addresses from one read to the next
	readCode = 3 // read holding registers
)

// address is where the i-th read begins.
func address(i int) uint16 { return uint16(spacing * i) }

// truth is what a holding register holds: a hash of unit, table and address.
func truth(at uint16) uint16 {
	h := fnv.New32a()
	fmt.Fprintf(h, "%d holding-register %d", unit, at)
	s := h.Sum32()
	return uint16(s ^ s>>16)
}

// isTrue says whether registers are those that a read asked for.
func isTrue(at uint16, got []uint16) bool {
	for i, v := range got {
		if v != truth(at+uint16(i)) {
			return false
		}
	}
	return len(got) == words
}

// The fault script: how long the answer to each request takes, in turn.
const (
	usual     = 60 * time.Millisecond
	lateShare = 0.05
	late      = 230 * time.Millisecond // half of the late ones
	latest    = 500 * time.Millisecond // of the others
	lostShare = 0.03
	lineGap   = 4 * time.Millisecond // between two answers on a serial line
)

func describeScript() string {
	return fmt.Sprintf("answers after %v, %.0f %% late (%v to %v), %.0f %% lost", usual, 100*lateShare, late, latest, 100*lostShare)
}

// A station answers reads as its script says, whatever streams they come on. A
// late answer does not keep later ones back.
type station struct {
	gap    time.Duration // kept after each answer
	mu     sync.Mutex
	random *rand.Rand
}

func newStation(seed uint64, gap time.Duration) *station {
	return &station{random: rand.New(rand.NewPCG(seed, 0)), gap: gap}
}

// delay draws the next answer's; lost says that none comes.
func (s *station) delay() (d time.Duration, lost bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch kind, how := s.random.Float64(), s.random.Float64(); {
	case kind < lostShare:
		return 0, true
	case kind < lostShare+lateShare && how < 0.5:
		return late, false
	case kind < lostShare+lateShare:
		return late + time.Duration((2*how-1)*float64(latest-late)), false
	}
	return usual, false
}

// answer sends a frame when its time has come.
func (s *station) answer(to io.Writer, frame []byte) {
	d, lost := s.delay()
	if lost {
		return
	}
	time.AfterFunc(d, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		to.Write(frame) // a client that has gone needs no answer
		time.Sleep(s.gap)
	})
}

// pdu is the answer to a read.
func pdu(at uint16, count int) []byte {
	p := []byte{readCode, byte(2 * count)}
	for i := range count {
		p = binary.BigEndian.AppendUint16(p, truth(at+uint16(i)))
	}
	return p
}

// requestSize is a read's PDU: function, address, quantity.
const requestSize = 5

// serveTCP answers MBAP until the stream ends.
func (s *station) serveTCP(stream io.ReadWriter) {
	q := make([]byte, 7+requestSize)
	for {
		if _, err := io.ReadFull(stream, q); err != nil {
			return
		}
		p := pdu(binary.BigEndian.Uint16(q[8:]), int(binary.BigEndian.Uint16(q[10:])))
		a := append([]byte(nil), q[:4]...)
		a = binary.BigEndian.AppendUint16(a, uint16(1+len(p)))
		s.answer(stream, append(append(a, unit), p...))
	}
}

// serveRTU answers RTU until the stream ends.
func (s *station) serveRTU(stream io.ReadWriter) {
	const size = 1 + requestSize + 2
	var in []byte
	piece := make([]byte, 256)
	for {
		n, err := stream.Read(piece)
		if err != nil {
			return
		}
		in = append(in, piece[:n]...)
		for len(in) >= size {
			q := in[:size]
			if q[0] != unit || crc(q[:size-2]) != binary.LittleEndian.Uint16(q[size-2:]) {
				in = in[1:]
				continue
			}
			a := append([]byte{unit}, pdu(binary.BigEndian.Uint16(q[2:]), int(binary.BigEndian.Uint16(q[4:])))...)
			s.answer(stream, binary.LittleEndian.AppendUint16(a, crc(a)))
			in = in[size:]
		}
	}
}

// crc is the check of RTU frames.
// Source: Modbus over Serial Line V1.02, 6.2.2.
func crc(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c ^= uint16(v)
		for range 8 {
			odd := c&1 == 1
			if c >>= 1; odd {
				c ^= 0xA001
			}
		}
	}
	return c
}

// overTCP starts a station on a free port of this machine.
func overTCP(seed uint64) (address string, end func() error, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	s := newStation(seed, 0)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				s.serveTCP(c)
				c.Close()
			}()
		}
	}()
	return l.Addr().String(), l.Close, nil
}

// overRTU starts a station on a pseudo-terminal.
func overRTU(seed uint64) (path string, end func() error, err error) {
	near, path, end, err := terminal.Open()
	if err != nil {
		return "", nil, err
	}
	go newStation(seed, lineGap).serveRTU(near)
	return path, end, nil
}
