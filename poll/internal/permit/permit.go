// Package permit is the leave to change a station. A permit names one unit and
// one request and serves once. It decides nothing itself: poll/gate makes
// permits after all its steps, poll/link takes one for each change and refuses
// to send without. Being internal to poll, no other floor can make one.
//
// Safety of what is written is not judged here; see poll/gate.
package permit

import (
	"bytes"
	"errors"
	"fmt"
	"sync/atomic"

	"plumbline/regmap"
)

// The errors of Use.
var (
	ErrNone  = errors.New("no permit was given")
	ErrOther = errors.New("the permit is for something else")
	ErrUsed  = errors.New("the permit was used already")
)

// A Permit is leave to send one request to one unit once. Copies of a permit
// share its one use. The zero Permit permits nothing.
type Permit struct{ grant *grant }

type grant struct {
	unit regmap.Unit
	pdu  string
	used atomic.Bool
}

// New is a permit for exactly the request whose PDU is given, to the unit
// given (0 is a broadcast on a serial line). Only poll/gate and tests call it.
func New(unit regmap.Unit, pdu []byte) Permit {
	return Permit{&grant{unit: unit, pdu: string(pdu)}}
}

// Use takes the permit's one use for a request to a unit. The error is ErrNone
// for the zero Permit, ErrOther (wrapped) when unit or request are not those
// of the permit, which stays unused then, and ErrUsed for a second use.
func (p Permit) Use(unit regmap.Unit, pdu []byte) error {
	g := p.grant
	switch {
	case g == nil:
		return ErrNone
	case g.unit != unit:
		return fmt.Errorf("%w: it names unit %d, the request goes to unit %d", ErrOther, g.unit, unit)
	case !bytes.Equal([]byte(g.pdu), pdu):
		return fmt.Errorf("%w: it names the request %x, not %x", ErrOther, g.pdu, pdu)
	case !g.used.CompareAndSwap(false, true):
		return ErrUsed
	}
	return nil
}
