package poll_test

import (
	"math"
	"sync"
	"testing"

	"plumbline/regmap/line"
)

// What the check of RTU lets through. The generator x^16+x^15+x^2+1 (A001 read
// backwards; serial guide V1.02, 6.2.2) has x+1 as a factor, so no odd number of
// flipped bits ever passes, and within a frame's 256 bytes no two do. Of four
// bits the passing patterns are counted here one by one. Of six and more, an
// even number, the damage falls on the 2^15 even remainders about equally, so
// one pattern in 2^15 passes; odd and even together that is the usual 2^-16
// (W. W. Peterson and D. T. Brown, Cyclic Codes for Error Detection, 1961; from
// memory). Damage that shifts the bytes leaves a check of 16 random bits: 2^-16.
const (
	passesEven    = 1.0 / (1 << 15)
	passesShifted = 1.0 / (1 << 16)
)

// remainders is, for each bit of an RTU frame of n bits, what flipping it does
// to the difference between the check computed and the check sent.
func remainders(n int) []uint16 {
	out := make([]uint16, n)
	for i := range n {
		e := make([]byte, n/8)
		e[i/8] = 1 << (i % 8)
		data := len(e) - 2
		zero := bitwiseCRC(make([]byte, data))
		out[i] = bitwiseCRC(e[:data]) ^ zero ^ uint16(e[data]) ^ uint16(e[data+1])<<8
	}
	return out
}

// quadruples counts the patterns of four flipped bits of a frame of n bits that
// the check lets through, and all such patterns. Four remainders cancel out
// when two pairs are equal; each four is made of two pairs in three ways.
func quadruples(n int) (pass, all float64) {
	pairs := map[uint16]float64{}
	r := remainders(n)
	for i := range r {
		for j := range i {
			pairs[r[i]^r[j]]++
		}
	}
	for _, k := range pairs {
		pass += k * (k - 1) / 2
	}
	f := float64(n)
	return pass / 3, f * (f - 1) * (f - 2) * (f - 3) / 24
}

var quadrupleShares sync.Map // frame bits -> share of the four-bit patterns that pass

// passing is the share of the patterns of w flipped bits in a frame of so many
// bytes that the check lets through.
func passing(frameBytes, w int) float64 {
	switch {
	case w == 0:
		return 1
	case w < 4 || w%2 == 1:
		return 0
	case w > 4:
		return passesEven
	}
	if share, ok := quadrupleShares.Load(frameBytes); ok {
		return share.(float64)
	}
	pass, all := quadruples(8 * frameBytes)
	quadrupleShares.Store(frameBytes, pass/all)
	return pass / all
}

// The counts above against an enumeration of another kind: every pattern of one
// to four bits of an 8-byte frame is tried on the check itself.
func TestWhatTheCheckLetsThrough(t *testing.T) {
	if got := bitwiseCRC([]byte("123456789")); got != 0x4B37 { // the customary check value of this CRC (from memory)
		t.Fatalf("the check of 123456789 is %04X, want 4B37", got)
	}
	adu := []byte{17, 3, 0x10, 0x20, 0x00, 0x02, 0, 0}
	crc := bitwiseCRC(adu[:6])
	adu[6], adu[7] = byte(crc), byte(crc>>8)
	if !checkFits(line.RTU, adu) {
		t.Fatalf("the check of % x does not fit", adu)
	}
	var passed [5]int
	flipAll(adu, 0, 1, &passed)
	pass, all := quadruples(64)
	if passed != [5]int{4: 364} || pass != 364 || all != 635376 {
		t.Errorf("of the patterns of 1 to 4 bits pass %v, counted by pairs %v of %v; want 364 of 635376 of four bits and no other", passed[1:], pass, all)
	}
	long := remainders(8 * 256)
	single := map[uint16]bool{0: true}
	for i, v := range long {
		if single[v] {
			t.Errorf("bit %d of 256 bytes has the remainder of another, or none", i)
		}
		single[v] = true
	}
	for i := range long {
		for j := range i {
			if single[long[i]^long[j]] {
				t.Fatalf("bits %d and %d of 256 bytes cancel out with a third", i, j)
			}
		}
	}
}

// flipAll tries all patterns of up to four bits, w with this one, from a bit on.
func flipAll(adu []byte, from, w int, passed *[5]int) {
	for i := from; i < 8*len(adu); i++ {
		adu[i/8] ^= 1 << (i % 8)
		if checkFits(line.RTU, adu) {
			passed[w]++
		}
		if w < 4 {
			flipAll(adu, i+1, w+1, passed)
		}
		adu[i/8] ^= 1 << (i % 8)
	}
}

// atLeast is the chance that an expected number of rare independent events
// gives n or more of them (Poisson).
func atLeast(n int, expected float64) float64 {
	below, term := 0.0, math.Exp(-expected)
	for k := range n {
		below += term
		term *= expected / float64(k+1)
	}
	return max(1-below, 0)
}
