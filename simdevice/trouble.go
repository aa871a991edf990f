package simdevice

import (
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// A Scope is the requests that a fault is for.
type Scope struct {
	Unit     regmap.Unit // 0: all
	Function frame.Function
	Table    regmap.Table // with Span: only requests that touch it
	Span     regmap.Span  // Count 0: all
	Reads    bool         // only what reads
}

// Touches says whether a request is in the scope.
func (s Scope) Touches(u regmap.Unit, q frame.Request) bool {
	if s.Unit != 0 && s.Unit != u || s.Function != 0 && s.Function != q.Function {
		return false
	}
	read, reads := q.Reads()
	write, writes := q.Writes()
	switch {
	case s.Reads && !reads:
		return false
	case s.Span.Count == 0:
		return true
	}
	return reads && read.Overlaps(s.Span) || !s.Reads && writes && write.Overlaps(s.Span)
}

// Meets says whether an exchange is one that the fault is for.
func (c Change) Meets(x *decode.Exchange) bool { return c.Scope.Touches(x.Unit, x.Request) }

// trouble is one fault that is on: of a point's contents where changes is set,
// else of whole answers.
type trouble struct {
	scope  Scope
	point  *regmap.Point
	chance fault.Chance
	length time.Duration // 0: until it is released
	said   string
	held   bool // its point stands still
	met    atomic.Uint64

	changes func(raw []uint16) // of the point's registers
	answers func(dst []byte, u regmap.Unit, pdu []byte, next Answerer) []byte

	mu     sync.Mutex // for what follows
	random *rand.Rand
	before []uint16 // tear: what was read last
}

// happens throws the dice.
func (t *trouble) happens() bool {
	if t.chance == 0 {
		t.met.Add(1)
		return true
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if fault.Chance(t.random.Uint32N(uint32(fault.Always))) >= t.chance {
		return false
	}
	t.met.Add(1)
	return true
}

// up says, by a fair coin, whether it goes up.
func (t *trouble) up() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.random.IntN(2) == 0
}

// answerHook lets the faults answer, the latest first; nothing of them happens
// to a request outside their scope.
func answerHook(all []*trouble, first func([]byte, regmap.Unit, []byte, Answerer) []byte) func([]byte, regmap.Unit, []byte, Answerer) []byte {
	return func(dst []byte, u regmap.Unit, pdu []byte, next Answerer) []byte {
		if first != nil {
			inner := next
			next = func(dst []byte, u regmap.Unit, pdu []byte) []byte { return first(dst, u, pdu, inner) }
		}
		q, err := frame.ParseRequest(pdu)
		if err != nil {
			q = frame.Request{Function: frame.Function(pdu[0])}
		}
		for _, t := range all {
			if !t.scope.Touches(u, q) || !t.happens() {
				continue
			}
			inner := next
			next = func(dst []byte, u regmap.Unit, pdu []byte) []byte { return t.answers(dst, u, pdu, inner) }
		}
		return next(dst, u, pdu)
	}
}

// silent answers nothing, and nothing is done.
func silent(dst []byte, _ regmap.Unit, _ []byte, _ Answerer) []byte { return dst }

// refusing answers an exception, and nothing is done.
func refusing(e frame.Exception) func([]byte, regmap.Unit, []byte, Answerer) []byte {
	return func(dst []byte, _ regmap.Unit, pdu []byte, _ Answerer) []byte {
		return except(dst, frame.Function(pdu[0]), e)
	}
}

// addressesAt are where the addresses of a request lie in its PDU, and whether
// its answer repeats the first of them. Source: V1.1b3, 6.1 to 6.6, 6.11, 6.12,
// 6.16, 6.17.
func addressesAt(f frame.Function) (at []int, echoed bool) {
	switch f {
	case frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters:
		return []int{1}, false
	case frame.WriteSingleCoil, frame.WriteSingleRegister, frame.WriteMultipleCoils, frame.WriteMultipleRegisters, frame.MaskWriteRegister:
		return []int{1}, true
	case frame.ReadWriteMultipleRegisters:
		return []int{1, 5}, false
	}
	return nil, false
}

// shifted asks the unit for other addresses; one that leaves the table has
// exception 02, as a device has for what it does not hold.
func shifted(by int) func([]byte, regmap.Unit, []byte, Answerer) []byte {
	return func(dst []byte, u regmap.Unit, pdu []byte, next Answerer) []byte {
		at, echoed := addressesAt(frame.Function(pdu[0]))
		moved := append([]byte(nil), pdu...)
		for _, i := range at {
			if i+2 > len(moved) {
				return next(dst, u, pdu)
			}
			a := int(moved[i])<<8 | int(moved[i+1])
			if a+by < 0 || a+by >= regmap.TableSize {
				return except(dst, frame.Function(pdu[0]), frame.IllegalDataAddress)
			}
			moved[i], moved[i+1] = byte((a+by)>>8), byte(a+by)
		}
		begin := len(dst)
		dst = next(dst, u, moved)
		if answer := dst[begin:]; echoed && len(answer) > 2 && answer[0]&exceptionBit == 0 {
			copy(answer[1:3], pdu[1:3])
		}
		return dst
	}
}
