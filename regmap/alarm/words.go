package alarm

import (
	"fmt"
	"math/big"
	"strings"
)

// The words of this package stand here and nowhere else: kebab words for files
// and JSON, words for people.

// kindWords are the kinds in files; in map files they are the keys of alarm.
var kindWords = [...]string{"none", "high-high", "high", "low", "low-low", "bit"}

// kindList is what is allowed, for messages.
var kindList = strings.Join(kindWords[1:], ", ")

var conditionWords = [...]string{"normal", "active-not-acknowledged", "active-acknowledged", "returned-not-acknowledged", "latched"}

var eventWords = [...]string{"none", "raised", "returned", "acknowledged", "reset"}

// conditionPhrases follow the kind's word. Normal has none: it is said alone.
var conditionPhrases = [...]string{
	Normal:                  "",
	ActiveNotAcknowledged:   "not acknowledged",
	ActiveAcknowledged:      "acknowledged",
	ReturnedNotAcknowledged: "returned, not acknowledged",
	Latched:                 "returned, latched until acknowledged",
}

// Words says for people which alarm is in which state: "high, not
// acknowledged"; "normal" where there is none. The alarm of a bit is called
// "alarm", since the bit has a name of its own.
func Words(k Kind, c Condition) string {
	if c == Normal || c > lastCondition {
		return c.String()
	}
	name := k.String()
	if k == Bit {
		name = "alarm"
	}
	return name + ", " + conditionPhrases[c]
}

// String is the word in files: "high-high"; "none" for the zero Kind.
func (k Kind) String() string { return word(kindWords[:], uint8(k), "kind") }

// String is the word in files: "active-not-acknowledged".
func (c Condition) String() string { return word(conditionWords[:], uint8(c), "condition") }

// String is the word in files: "raised"; "none" for the zero Event.
func (e Event) String() string { return word(eventWords[:], uint8(e), "event") }

// number writes an exact decimal, a fraction where there is none.
func number(r *big.Rat) string {
	if digits, exact := r.FloatPrec(); exact {
		return r.FloatString(digits)
	}
	return r.RatString()
}

func word(words []string, n uint8, what string) string {
	if int(n) < len(words) {
		return words[n]
	}
	return fmt.Sprintf("%s(%d)", what, n)
}

// MarshalText writes the word in files. A Kind that does not exist is an error.
func (k Kind) MarshalText() ([]byte, error) {
	if k == 0 || k > lastKind {
		return nil, fmt.Errorf("%w: %s is none of %s", ErrLimit, k, kindList)
	}
	return []byte(k.String()), nil
}

// UnmarshalText reads what MarshalText wrote.
func (k *Kind) UnmarshalText(text []byte) error {
	for i, w := range kindWords[1:] {
		if w == string(text) {
			*k = Kind(i + 1)
			return nil
		}
	}
	return fmt.Errorf("%w: %q is none of %s", ErrLimit, text, kindList)
}

// MarshalText writes the word in files. A Condition that does not exist is an
// error.
func (c Condition) MarshalText() ([]byte, error) {
	if c > lastCondition {
		return nil, fmt.Errorf("alarm condition: %s is none of %s", c, strings.Join(conditionWords[:], ", "))
	}
	return []byte(c.String()), nil
}

// UnmarshalText reads what MarshalText wrote.
func (c *Condition) UnmarshalText(text []byte) error {
	for i, w := range conditionWords {
		if w == string(text) {
			*c = Condition(i)
			return nil
		}
	}
	return fmt.Errorf("alarm condition: %q is none of %s", text, strings.Join(conditionWords[:], ", "))
}

// MarshalText writes the word in files. An Event that does not exist is an
// error.
func (e Event) MarshalText() ([]byte, error) {
	if e > lastEvent {
		return nil, fmt.Errorf("alarm event: %s is none of %s", e, strings.Join(eventWords[:], ", "))
	}
	return []byte(e.String()), nil
}
