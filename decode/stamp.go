package decode

import (
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"time"
)

// A Stamp is one moment on two clocks, always together: the wall clock, which
// people read and which may step, and the steady one, which orders events and
// measures periods. The zero Stamp means 'did not happen'.
type Stamp struct {
	Wall   time.Time     // UTC
	Steady time.Duration // since the clock began; never goes back
}

// IsZero says whether the moment did not happen.
func (s Stamp) IsZero() bool { return s.Wall.IsZero() && s.Steady == 0 }

// Sub is the time from o to s on the steady clock.
func (s Stamp) Sub(o Stamp) time.Duration { return s.Steady - o.Steady }

// A Clock gives the present moment.
type Clock func() Stamp

// NewClock is a clock whose steady hand begins at 0 now. Inside a virtual-time
// bubble it follows the bubble's time.
func NewClock() Clock {
	began := time.Now()
	return func() Stamp {
		now := time.Now()
		return Stamp{Wall: now.UTC().Round(0), Steady: now.Sub(began)}
	}
}

// Source tells one origin of evidence from another: random for a run, the
// beginning of a digest for a file.
type Source uint32

// NewSource is a random source, for a run.
func NewSource() Source {
	var b [4]byte
	rand.Read(b[:]) // never fails: crypto/rand panics rather than return short
	return Source(binary.BigEndian.Uint32(b[:]))
}

// An ID is the identity of a piece of evidence, an exchange or a frame. The
// zero ID is none.
type ID struct {
	Source Source
	Number uint64 // counted from 1 within the source
}

// String is the identity for people and files: "9f2c41d0:1042"; empty for none.
func (id ID) String() string {
	if id == (ID{}) {
		return ""
	}
	return fmt.Sprintf("%08x:%d", uint32(id.Source), id.Number)
}
