package frame

import (
	"time"

	"plumbline/regmap/line"
)

// Bits of a character on the line with start bit, parity or second stop bit,
// and stop bit. Source: serial guide 2.5.1 (RTU, 8 data bits), 2.5.2 (ASCII, 7).
const (
	rtuDataBits   = 8
	asciiDataBits = 7
)

// Above this speed the silences are fixed. Source: serial guide 2.5.1.1.
const (
	fixedGapsAbove = 19200 // bit/s
	fixedGap15     = 750 * time.Microsecond
	fixedGap35     = 1750 * time.Microsecond
)

// characterBits is how many bit times a character takes with the settings as
// they are: start, data, parity if any, stop.
func characterBits(s line.Serial, f line.Framing) int {
	bits := 1 + rtuDataBits + s.Stop
	if f == line.ASCII {
		bits += asciiDataBits - rtuDataBits
	}
	if s.Parity == line.Even || s.Parity == line.Odd {
		bits++
	}
	return bits
}

// CharTime is how long one character is on the line: 11 bits in RTU with the
// standard's settings, 10 in ASCII. It is 0 for a baud rate of 0 or less and
// for MBAP, which has no characters. Source: serial guide 2.5.1 and 2.5.2.
func CharTime(s line.Serial, f line.Framing) time.Duration {
	if s.Baud <= 0 || f == line.MBAP {
		return 0
	}
	return bitTimes(s, float64(characterBits(s, f)))
}

// bitTimes is n bit times, rounded to the nanosecond.
func bitTimes(s line.Serial, n float64) time.Duration {
	return time.Duration(n*float64(time.Second)/float64(s.Baud) + 0.5)
}

// Gap35 is the least silence between two RTU frames: 3.5 character times up to
// 19200 bit/s, 1.750 ms above. Source: serial guide 2.5.1.1.
func Gap35(s line.Serial) time.Duration { return gap(s, 3.5, fixedGap35) }

// Gap15 is the most silence inside an RTU frame: 1.5 character times up to
// 19200 bit/s, 750 us above. Source: serial guide 2.5.1.1.
func Gap15(s line.Serial) time.Duration { return gap(s, 1.5, fixedGap15) }

func gap(s line.Serial, characters float64, fixed time.Duration) time.Duration {
	switch {
	case s.Baud <= 0:
		return 0
	case s.Baud > fixedGapsAbove:
		return fixed
	}
	return bitTimes(s, characters*float64(characterBits(s, line.RTU)))
}
