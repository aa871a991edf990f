package poll_test

import (
	"bytes"
	"math/bits"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// counterAddress is the holding register of each unit that goes up with each
// request the unit hears; refusedFrom is where its tables end.
const (
	counterAddress = 65000
	refusedFrom    = 65100
)

// truth is what item a of table t of unit u holds: a hash of the three, never
// 0, so that a shifted, foreign or missing item cannot look right. A bit is the
// hash's last one. The mixer is that of the generator SplitMix64 (Steele, Lea,
// Flood 2014; from memory); the test below holds it to what is wanted of it.
func truth(u regmap.Unit, t regmap.Table, a int) uint16 {
	x := uint64(u)<<32 | uint64(t)<<24 | uint64(a)
	x = (x + 1) * 0x9E3779B97F4A7C15
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x = (x ^ x>>27) * 0x94D049BB133111EB
	v := uint16(x ^ x>>31)
	switch {
	case t.Bits():
		return v & 1
	case v == 0:
		return 0x5A17
	}
	return v
}

// Over 262,140 items each of the 65,535 values is expected four times; a value
// that came 30 times or a bit that is set in far more or fewer than half of
// them would make wrong items look right.
func TestTruthIsWellSpread(t *testing.T) {
	seen := make([]int, 1<<16)
	var set [16]int
	ones, n := 0, 0
	for _, u := range []regmap.Unit{1, 17} {
		for a := range 65535 {
			for _, table := range []regmap.Table{regmap.InputRegister, regmap.HoldingRegister} {
				v := truth(u, table, a)
				seen[v]++
				n++
				for i := range set {
					set[i] += int(v >> i & 1)
				}
			}
			ones += int(truth(u, regmap.Coil, a))
		}
	}
	if seen[0] != 0 {
		t.Errorf("%d registers hold 0", seen[0])
	}
	for v, times := range seen {
		if times > 30 {
			t.Errorf("%#04x is held by %d registers", v, times)
		}
	}
	for i, k := range append(set[:], 2*ones) { // six standard deviations either way
		if d := k - n/2; d > 1600 || d < -1600 {
			t.Errorf("bit %d is set in %d of %d", i, k, n)
		}
	}
}

// A letter is a frame as it was written to the line: a request by the client,
// or a true answer by the station.
type letter struct {
	number int
	at     time.Time // when it was written; of an answer, when its request was heard
	frame  []byte
	unit   regmap.Unit
	pdu    []byte // of the request

	asked   *letter // of an answer: the request as the client sent it
	garbled bool    // the request was heard otherwise than it was sent
	again   bool    // the request was heard before and answered
	strange bool    // nobody asked for it
	heard   bool    // it arrived, whole at least once
	pieces  int     // bytes of it that arrived in pieces
}

// shape is what an answer shows of its question: unit, function and length.
func (l *letter) shape() [4]byte {
	q, err := frame.ParseRequest(l.pdu)
	if err != nil {
		return [4]byte{}
	}
	n, _ := frame.AnswerLength(q)
	return [4]byte{byte(l.unit), byte(q.Function), byte(n >> 8), byte(n)}
}

// A station answers reads of every unit with the truth, and keeps its own copy
// of every answer it gave.
type station struct {
	framing line.Framing

	mu      sync.Mutex
	counts  [256]uint16
	given   []*letter
	counted map[string]map[uint16]bool // request and unit -> the counts given in answer
}

// answer makes the true answer to a whole request; nil when it is none.
func (s *station) answer(adu []byte) *letter {
	a, err := frame.ParseADU(s.framing, adu)
	if err != nil {
		return nil
	}
	q, err := frame.ParseRequest(a.PDU)
	if err != nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts[a.Unit]++
	a.PDU = bytes.Clone(a.PDU)
	l := &letter{number: len(s.given) + 1, at: time.Now(), unit: a.Unit, pdu: a.PDU}
	pdu, err := s.contents(a.Unit, q).Append(nil)
	if err != nil {
		panic(err) // the answer to a whole request fits a frame
	}
	a.PDU = pdu
	if l.frame, err = frame.AppendADU(nil, a); err != nil {
		panic(err)
	}
	s.given = append(s.given, l)
	if holdsCounter(q) {
		key := string(append(bytes.Clone(l.pdu), byte(l.unit)))
		if s.counted[key] == nil {
			s.counted[key] = map[uint16]bool{}
		}
		s.counted[key][s.counts[l.unit]] = true
	}
	return l
}

// contents is the answer to a read, an exception beyond the tables' end.
func (s *station) contents(u regmap.Unit, q frame.Request) frame.Response {
	span, ok := q.Reads()
	switch {
	case !ok || q.Changes():
		return frame.Except(q.Function, frame.IllegalFunction)
	case span.End() > refusedFrom:
		return frame.Except(q.Function, frame.IllegalDataAddress)
	}
	r := frame.Response{Function: q.Function}
	if span.Table.Bits() {
		r.Data = make([]byte, (span.Count+7)/8)
		for i := range span.Count {
			r.Data[i/8] |= byte(truth(u, span.Table, int(span.First)+i)) << (i % 8)
		}
		return r
	}
	for a := int(span.First); a < span.End(); a++ {
		v := truth(u, span.Table, a)
		if isCounter(span.Table, a) {
			v = s.counts[u]
		}
		r.Data = append(r.Data, byte(v>>8), byte(v))
	}
	return r
}

// stranger is the true answer to another question than the one that l answers,
// different in what an answer shows of it: the unit, the function, the length,
// and with MBAP the transaction. So another client's answers look, and those of
// a station with a wrong number.
func (s *station) stranger(l *letter, dice *rand.Rand) *letter {
	a, err := frame.ParseADU(s.framing, l.asked.frame)
	if err != nil {
		return nil
	}
	q, err := frame.ParseRequest(a.PDU)
	if err != nil || int(q.Address)+q.Quantity+200 > refusedFrom {
		return nil
	}
	span, _ := q.Reads()
	kinds := 3
	if s.framing == line.MBAP {
		kinds = 4
	}
	switch dice.IntN(kinds) {
	case 0:
		a.Unit++
	case 1: // the table beside it, of the same kind
		q = frame.Read(map[regmap.Table]regmap.Table{
			regmap.Coil: regmap.DiscreteInput, regmap.DiscreteInput: regmap.Coil,
			regmap.InputRegister: regmap.HoldingRegister, regmap.HoldingRegister: regmap.InputRegister,
		}[span.Table], q.Address, q.Quantity)
	case 2:
		q.Quantity += 8
	case 3:
		a.Transaction += 20000
		q.Address += 7
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	other := &letter{at: l.at, unit: a.Unit, strange: true,
		asked: &letter{number: l.asked.number, at: l.asked.at, frame: l.asked.frame}}
	if other.pdu, err = q.Append(nil); err != nil {
		panic(err)
	}
	if a.PDU, err = s.contents(a.Unit, q).Append(nil); err != nil {
		panic(err)
	}
	if other.frame, err = frame.AppendADU(nil, a); err != nil {
		panic(err)
	}
	return other
}

func isCounter(t regmap.Table, a int) bool {
	return t == regmap.HoldingRegister && a == counterAddress
}

// holdsCounter says whether a read takes the counting register in.
func holdsCounter(q frame.Request) bool {
	span, ok := q.Reads()
	return ok && span.Table == regmap.HoldingRegister && span.Contains(counterAddress)
}

// checkFits computes the check of an RTU frame bit by bit, as the text of the
// serial guide has it, so that the rig does not rest on the code it judges.
// Source: serial guide V1.02, 6.2.2 (start FFFF, A001 shifted right, low byte
// first). MBAP has no check: its frames fit when the length does (TCP guide
// V1.0b, 3.1.3).
func checkFits(f line.Framing, adu []byte) bool {
	switch f {
	case line.MBAP:
		return len(adu) > 7 && int(adu[4])<<8|int(adu[5]) == len(adu)-6 && adu[2]|adu[3] == 0
	case line.ASCII:
		return sumFits(adu)
	}
	if len(adu) < 4 {
		return false
	}
	n := len(adu) - 2
	return bitwiseCRC(adu[:n]) == uint16(adu[n])|uint16(adu[n+1])<<8
}

// sumFits says whether an ASCII frame holds pairs of 0-9 and A-F between its
// colon and its end, whose sum, the check included, is 0 in eight bits. Source:
// serial guide V1.02, 2.5.2.1 and 6.2.1.
func sumFits(adu []byte) bool {
	n := len(adu)
	if n < 9 || n%2 == 0 || adu[0] != ':' || adu[n-2] != '\r' || adu[n-1] != '\n' {
		return false
	}
	sum := 0
	for i := 1; i < n-2; i += 2 {
		high, low := strings.IndexByte(hexDigits, adu[i]), strings.IndexByte(hexDigits, adu[i+1])
		if high < 0 || low < 0 {
			return false
		}
		sum += high<<4 + low
	}
	return sum&0xFF == 0
}

const hexDigits = "0123456789ABCDEF"

func bitwiseCRC(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			carry := crc & 1
			crc >>= 1
			if carry == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// flipped counts the bits in which two frames of one length differ.
func flipped(a, b []byte) (n int) {
	for i := range a {
		n += bits.OnesCount8(a[i] ^ b[i])
	}
	return n
}
