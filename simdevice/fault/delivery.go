package fault

import (
	"fmt"
	"time"
)

// Act says what a Delivery does when its time has come. The zero Act hands
// its bytes over.
type Act uint8

// The acts. Every act but Stall and HalfOpen takes its place in the order of
// the direction: a Fin comes after the bytes written before it.
const (
	Pass     Act = iota // hand the bytes to the reader
	Fin                 // orderly end: the reader gets io.EOF after what is there
	Rst                 // abortive end of the whole link: both ends get ErrReset after what is there
	HalfOpen            // the link is cut without a word, both directions
	Stall               // nothing passes for the time For, 0 for ever
	Flood               // Bytes again and again, each Every, for the time For, 0 for ever
)

// String is the act's name, for messages.
func (a Act) String() string {
	names := [...]string{"pass", "fin", "rst", "half-open", "stall", "flood"}
	if int(a) < len(names) {
		return names[a]
	}
	return fmt.Sprintf("act(%d)", uint8(a))
}

// A Delivery is one thing that reaches the other end. The zero Delivery does
// nothing.
type Delivery struct {
	Act      Act
	Bytes    []byte        // Pass, Flood: what arrives; it belongs to the receiver of the Delivery
	Delay    time.Duration // from the write until it arrives
	For      time.Duration // Stall, Flood: how long; 0 is without end
	Every    time.Duration // Flood: time between two arrivals; below MinEvery it is MinEvery
	Overtake bool          // may arrive before what was written earlier
}

// MinEvery is the shortest time between two arrivals of a flood. 87 µs is
// about one character at 115200 bit/s (10 bits); ours, so that a flood costs
// bounded work.
const MinEvery = 87 * time.Microsecond

// A Filter decides what becomes of each written chunk of one direction. It is
// called with one chunk at a time, in the order of the writes; the chunk is
// the caller's again when it returns. No Delivery at all is a lost chunk.
type Filter interface {
	Deliveries(chunk []byte) []Delivery
}

// FilterFunc is a function as a Filter.
type FilterFunc func(chunk []byte) []Delivery

// Deliveries calls f.
func (f FilterFunc) Deliveries(chunk []byte) []Delivery { return f(chunk) }
