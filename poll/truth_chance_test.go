package poll_test

import (
	"math"
	"math/bits"
	"strings"
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

// passes is the chance that the check lets through what came instead of a frame.
// In ASCII no frame of another length is taken for the answer, because the count
// of its bytes must fit as well (V1.1b3, 6.1 to 6.4) and an exception has two.
func passes(f line.Framing, was, came []byte) float64 {
	switch {
	case len(came) == len(was) && f == line.ASCII:
		return sumPassing(was, flipped(came, was))
	case len(came) == len(was):
		return passing(len(came), flipped(came, was))
	case f == line.ASCII:
		return 0
	}
	return passesShifted
}

// The check of ASCII is a sum of the bytes and far weaker: any number of flipped
// bits may pass, as long as each character stays one of 0-9 and A-F and what the
// bytes gain and lose comes to nothing. The patterns are counted character by
// character, by their bits and by what they add to the sum.
//
// sumPatterns is how many patterns of w flipped bits of a frame pass.
func sumPatterns(adu []byte, w int) float64 {
	ways := make([][256]float64, w+1) // by bits flipped, and by what the sum gains
	ways[0][0] = 1
	for i := 1; i < len(adu)-2; i++ {
		worth := 1
		if i%2 == 1 {
			worth = 16
		}
		was := strings.IndexByte(hexDigits, adu[i])
		next := make([][256]float64, w+1)
		for value := range 16 {
			flips := bits.OnesCount8(adu[i] ^ hexDigits[value])
			gain := (value - was) * worth
			for k := flips; k <= w; k++ {
				for sum, n := range ways[k-flips] {
					if n > 0 {
						next[k][(sum+gain)&0xFF] += n
					}
				}
			}
		}
		ways = next
	}
	return ways[w][0]
}

// sumPassing is their share of all patterns of w bits.
func sumPassing(adu []byte, w int) float64 {
	all := 1.0
	for i := range w {
		all = all * float64(8*len(adu)-i) / float64(i+1)
	}
	return sumPatterns(adu, w) / all
}

// The count against an enumeration: every pattern of one to three bits of a
// frame is tried. One bit never passes, nor does any change of one character.
func TestWhatTheSumLetsThrough(t *testing.T) {
	if !checkFits(line.ASCII, []byte(":010300000002FA\r\n")) { // worked by hand: 01+03+02 = 06, two's complement FA
		t.Fatal("a frame whose sum is right does not fit")
	}
	adu := []byte(":1103041234FFFFA4\r\n") // 11+03+04+12+34+FF+FF = 25C; 100-5C = A4
	if !checkFits(line.ASCII, adu) {
		t.Fatalf("%q does not fit", adu)
	}
	var passed [4]int
	var try func(from, w int)
	try = func(from, w int) {
		for i := from; i < 8*len(adu); i++ {
			adu[i/8] ^= 1 << (i % 8)
			if checkFits(line.ASCII, adu) {
				passed[w]++
			}
			if w < 3 {
				try(i+1, w+1)
			}
			adu[i/8] ^= 1 << (i % 8)
		}
	}
	try(0, 1)
	for w := range passed {
		want := sumPatterns(adu, w)
		if w > 0 && passed[w] != int(want) {
			t.Errorf("%d patterns of %d bits pass, counted %v", passed[w], w, want)
		}
	}
	if passed[1] != 0 || passed[2] == 0 {
		t.Errorf("of one bit %d pass, want none; of two %d, want some", passed[1], passed[2])
	}
	t.Logf("of patterns of two bits %d of %d pass, of three %d", passed[2], 8*len(adu)*(8*len(adu)-1)/2, passed[3])
	for i := 1; i < len(adu)-2; i++ {
		was := adu[i]
		for c := range 256 {
			if adu[i] = byte(c); byte(c) != was && checkFits(line.ASCII, adu) {
				t.Errorf("character %d may be %q for %q", i, byte(c), was)
			}
		}
		adu[i] = was
	}
}

// The counts of the RTU check against an enumeration: every pattern of one
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
