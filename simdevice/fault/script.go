package fault

import (
	"strconv"
	"strings"
	"time"
)

// A Script says what goes wrong on a link. Its text form is one rule a line:
//
//	# a sluggish station behind a poor adapter
//	seed 42
//	answers: delay 20ms..80ms
//	answers: delay 230ms with 5% overtake
//	answers of unit 17: drop every 10
//	requests: flip with 0.5% from 1h to 2h
//	answers: close rst once from 500
//
// A rule takes each chunk of its direction to which its conditions apply; the
// rules work one after another in the order of the lines, each on what the
// one before has made of the chunk. The zero Script changes nothing.
type Script struct {
	Seed  uint64 // of all random choice; 0 has each Run choose its own
	Rules []Rule
}

// MaxRules bounds a script, and with it the work of a chunk. Ours.
const MaxRules = 1000

// A Rule is one line of a script: which chunks, and what becomes of them. Only
// the fields that its Verb names have a meaning. The zero Rule is not valid.
type Rule struct {
	Direction Direction
	OfUnit    bool  // only chunks of station Unit, as the Shaper reads it
	Unit      uint8 // station number, 0 to 255
	Verb      Verb

	Count Count         // Deliver, Drop, Duplicate, Reorder, Split, Join, Flip, Insert, Drip
	Time  Span          // Delay, Duplicate, Stall, Flood
	Gap   time.Duration // Split, Drip, Flood
	Bytes []byte        // Insert, Flood
	Place Place         // Drop, Split, Insert, Flip
	End   Act           // Close: Fin or Rst
	Field Field         // AnswerAs
	Value Value         // AnswerAs

	When Condition
}

// Direction is which way a chunk travels. The zero Direction is not valid.
type Direction uint8

// The directions: from the client to the station and back.
const (
	Requests Direction = iota + 1
	Answers
	Both
)

var directionNames = []string{"", "requests", "answers", "both"}

// String is the direction's word in a script.
func (d Direction) String() string { return nameIn(directionNames, int(d)) }

// Verb is what a rule does. The zero Verb is not valid.
type Verb uint8

// The verbs.
const (
	Deliver   Verb = iota + 1 // the first Count bytes only; the rest is lost
	Delay                     // arrives Time later
	Drop                      // lost; with a Count, so many bytes of it from Place
	Duplicate                 // arrives twice, the copy Time later
	Reorder                   // arrives after the next Count chunks
	Split                     // in Count pieces, or at Place in two, Gap apart
	Join                      // Count chunks arrive as one, with the last of them
	Flip                      // one bit, Count random bits, or the bit at Place
	Insert                    // Bytes, or Count random bytes, at Place
	StallFor                  // nothing passes for Time, from this chunk on
	Close                     // the link ends after this chunk
	Cut                       // the link is half-open: this chunk and all others vanish
	Dribble                   // Count bytes at a time, Gap apart
	FloodWith                 // Bytes without end after this chunk, Gap apart, for Time
	AnswerAs                  // another Field, checksum repaired
)

var verbNames = []string{"", "deliver", "delay", "drop", "duplicate", "reorder", "split", "join", "flip", "insert",
	"stall", "close", "half-open", "drip", "flood", "answer-as"}

// String is the verb's word in a script.
func (v Verb) String() string { return nameIn(verbNames, int(v)) }

// Count is a number, or a range to choose from at random. The zero Count is
// "not given".
type Count struct{ Min, Max int }

// String is "3" or "1..8".
func (c Count) String() string {
	if c.Min == c.Max {
		return strconv.Itoa(c.Min)
	}
	return strconv.Itoa(c.Min) + ".." + strconv.Itoa(c.Max)
}

// Span is a time, or a range to choose from at random.
type Span struct{ Min, Max time.Duration }

// String is "230ms" or "20ms..80ms".
func (s Span) String() string {
	if s.Min == s.Max {
		return durationText(s.Min)
	}
	return durationText(s.Min) + ".." + durationText(s.Max)
}

// Place is a position in a chunk, in bytes, for Flip in bits. The zero Place
// is chosen at random.
type Place struct {
	At PlaceKind
	N  int // Number: counted from 0; bit 0 is the least significant of byte 0
}

// PlaceKind says how a Place is given.
type PlaceKind uint8

// The kinds of place.
const (
	Anywhere PlaceKind = iota
	Start
	Last // the end of the chunk
	Number
)

// String is the words in a script, "" for a random place.
func (p Place) String() string {
	switch p.At {
	case Start:
		return "at start"
	case Last:
		return "at end"
	case Number:
		return "at " + strconv.Itoa(p.N)
	}
	return ""
}

// Value is what answer-as sets a field to. The zero Value is chosen at random
// and differs from what was there.
type Value struct {
	Kind ValueKind
	N    int
}

// ValueKind says how a Value is given.
type ValueKind uint8

// The kinds of value.
const (
	Random ValueKind = iota
	Exactly
	Plus // added to what is there, in the range of the field
)

// String is the word in a script: "random", "18", "+1".
func (v Value) String() string {
	switch v.Kind {
	case Exactly:
		return strconv.Itoa(v.N)
	case Plus:
		if v.N < 0 {
			return strconv.Itoa(v.N)
		}
		return "+" + strconv.Itoa(v.N)
	}
	return "random"
}

// Condition says to which chunks a rule applies: to all for which everything
// given here holds. The zero Condition always holds.
type Condition struct {
	Chance   Chance        // 0: always
	Every    int           // each so many-th chunk of the direction; 0: each
	From, To int           // chunk numbers of the direction, from 1, both included; 0: open
	Since    time.Duration // not before this much of the run has passed
	Until    time.Duration // only while less than this has passed; 0: open
	Times    int           // at most so often; 0: without bound
	Overtake bool          // what this rule delays may be overtaken
}

// Chance is a probability in millionths of a per cent; 0 means "not given".
type Chance uint32

// Always is 100 %.
const Always Chance = 100_000_000

// String is "5%" or "0.25%".
func (c Chance) String() string {
	text := strconv.FormatUint(uint64(c/1_000_000), 10)
	if rest := c % 1_000_000; rest != 0 {
		digits := strconv.FormatUint(uint64(rest)+1_000_000, 10)[1:]
		text += "." + strings.TrimRight(digits, "0")
	}
	return text + "%"
}

// nameIn is names[i], or the number when there is no such name.
func nameIn(names []string, i int) string {
	if i > 0 && i < len(names) {
		return names[i]
	}
	return "(" + strconv.Itoa(i) + ")"
}

// durationText is d in the shortest form that reads back: "1h", "1m30s",
// "230ms".
func durationText(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
