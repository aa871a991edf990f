package alarm

import (
	"errors"
	"fmt"
	"math/big"
	"time"
)

// Kind is which alarm of a point. The zero Kind is none.
type Kind uint8

// The kinds: four limits of a number, and the alarm of a single bit.
const (
	HighHigh Kind = 1 + iota
	High
	Low
	LowLow
	Bit
)

const lastKind = Bit

// high says whether the alarm is above its limit.
func (k Kind) high() bool { return k == HighHigh || k == High }

// severity orders kinds, the most severe highest. Common practice: the outer
// limits are more severe than the inner ones, both sides alike.
func (k Kind) severity() int {
	switch k {
	case HighHigh, LowLow:
		return 2
	case High, Low, Bit:
		return 1
	}
	return 0
}

// A Limit is one alarm: when it is raised, and when it is over. It does not
// change. The zero Limit is refused by Check and never raised.
//
// Comparisons are exact, in rationals. A value at the limit is inside it: a
// high alarm is for values above, a low one for values below. (The standards
// leave this open; so the map's words 'above' and 'below' hold.)
type Limit struct {
	Kind     Kind
	Value    *big.Rat      // engineering units; nil for a bit
	Deadband *big.Rat      // engineering units, not below 0: how far back inside it is over; nil: 0
	OnDelay  time.Duration // how long the value must be beyond before it is raised
	OffDelay time.Duration // how long the value must be back before it is over
	Latch    bool          // once raised it stays until it is acknowledged after return
}

// ErrLimit is wrapped by the errors of Check and NewSet.
var ErrLimit = errors.New("alarm limit")

// Check says what cannot be meant in a limit. The functions of this package
// expect limits that it accepts.
func (l Limit) Check() error {
	switch {
	case l.Kind == 0 || l.Kind > lastKind:
		return fmt.Errorf("%w: %s is none of %s", ErrLimit, l.Kind, kindList)
	case l.Kind == Bit && (l.Value != nil || l.Deadband != nil):
		return fmt.Errorf("%w: the alarm of a bit has neither value nor deadband", ErrLimit)
	case l.Kind != Bit && l.Value == nil:
		return fmt.Errorf("%w: %s has no value", ErrLimit, l.Kind)
	case l.Deadband != nil && l.Deadband.Sign() < 0:
		return fmt.Errorf("%w: %s has the deadband %s; it is 0 or more", ErrLimit, l.Kind, number(l.Deadband))
	case l.OnDelay < 0:
		return fmt.Errorf("%w: %s has the delay %s; it is 0 or more", ErrLimit, l.Kind, l.OnDelay)
	case l.OffDelay < 0:
		return fmt.Errorf("%w: %s has the off-delay %s; it is 0 or more", ErrLimit, l.Kind, l.OffDelay)
	}
	return nil
}

// Input is what was read. The zero Input is a bad reading.
type Input struct {
	Good   bool     // the value may be judged; an uncertain one (out of span) may
	Value  *big.Rat // engineering units, for limits of a number
	Active bool     // for the alarm of a bit
}

// Number is the input of a number that may be judged.
func Number(value *big.Rat) Input { return Input{Good: value != nil, Value: value} }

// Float is Number for a float64, taken exactly as its binary fraction: 0.1 is a
// little above the decimal 0.1. NaN and infinities are bad readings.
func Float(value float64) Input { return Number(new(big.Rat).SetFloat64(value)) }

// OnOff is the input of a bit that may be judged.
func OnOff(active bool) Input { return Input{Good: true, Active: active} }

// judged says whether the input tells anything to this limit.
func (l Limit) judged(in Input) bool {
	if l.Kind == Bit {
		return in.Good && in.Value == nil
	}
	return in.Good && in.Value != nil && l.Value != nil
}

// beyond says whether the value is past the limit.
func (l Limit) beyond(in Input) bool {
	switch {
	case l.Kind == Bit:
		return in.Active
	case l.Kind.high():
		return in.Value.Cmp(l.Value) > 0
	default:
		return in.Value.Cmp(l.Value) < 0
	}
}

// back says whether the value is inside the limit by the deadband. Source: OPC
// 10000-9, annex B.1.5: a deadband keeps the alarm active until then.
func (l Limit) back(in Input) bool {
	if l.Kind == Bit {
		return !in.Active
	}
	deadband := l.Deadband
	if deadband == nil {
		deadband = new(big.Rat)
	}
	if l.Kind.high() {
		return in.Value.Cmp(new(big.Rat).Sub(l.Value, deadband)) <= 0
	}
	return in.Value.Cmp(new(big.Rat).Add(l.Value, deadband)) >= 0
}
