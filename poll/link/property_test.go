package link

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"pgregory.net/rapid"

	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

func permitFor(u regmap.Unit, pdu []byte) permit.Permit { return permit.New(u, pdu) }

var errTaken = errors.New("taken")

// requests draws a request of any function that the link sends.
func requests() *rapid.Generator[frame.Request] {
	return rapid.Custom(func(t *rapid.T) frame.Request {
		a := regmap.Address(rapid.Uint16().Draw(t, "address"))
		word := rapid.Uint16()
		words := func(most int) []uint16 { return rapid.SliceOfN(word, 1, most).Draw(t, "words") }
		switch f := rapid.SampledFrom([]frame.Function{
			frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters,
			frame.WriteSingleCoil, frame.WriteSingleRegister, frame.WriteMultipleCoils, frame.WriteMultipleRegisters,
			frame.MaskWriteRegister, frame.ReadWriteMultipleRegisters, frame.ReadFIFOQueue, frame.Diagnostics,
			frame.EncapsulatedInterface, frame.ReportServerID, frame.ReadExceptionStatus,
		}).Draw(t, "function"); f {
		case frame.ReadCoils, frame.ReadDiscreteInputs:
			return frame.Request{Function: f, Address: a, Quantity: rapid.IntRange(1, 2000).Draw(t, "quantity")}
		case frame.ReadHoldingRegisters, frame.ReadInputRegisters:
			return frame.Request{Function: f, Address: a, Quantity: rapid.IntRange(1, 125).Draw(t, "quantity")}
		case frame.WriteSingleCoil:
			return frame.WriteCoil(a, rapid.Bool().Draw(t, "on"))
		case frame.WriteSingleRegister:
			return frame.WriteRegister(a, word.Draw(t, "value"))
		case frame.WriteMultipleCoils:
			return frame.WriteCoils(a, rapid.SliceOfN(rapid.Bool(), 1, 1968).Draw(t, "bits")...)
		case frame.WriteMultipleRegisters:
			return frame.WriteRegisters(a, words(123)...)
		case frame.MaskWriteRegister:
			return frame.MaskWrite(a, word.Draw(t, "and"), word.Draw(t, "or"))
		case frame.ReadWriteMultipleRegisters:
			b := regmap.Address(word.Draw(t, "write address"))
			return frame.ReadWrite(a, rapid.IntRange(1, 125).Draw(t, "quantity"), b, words(121)...)
		case frame.Diagnostics:
			return frame.Diagnose(frame.ReturnQueryData, words(100)...)
		case frame.EncapsulatedInterface:
			return frame.ReadDeviceID(frame.DeviceIDBasic, rapid.Byte().Draw(t, "object"))
		default:
			return frame.Request{Function: f, Address: a & regmap.Address(addressMask(f))}
		}
	})
}

// addressMask is 0 for functions without an address.
func addressMask(f frame.Function) uint16 {
	if f == frame.ReadFIFOQueue {
		return 0xFFFF
	}
	return 0
}

// The library's bytes and ours are the same for every request in every
// framing. Two own ends agreeing would prove nothing; this is the outside one.
func TestTheLibraryMakesTheSameRequests(t *testing.T) {
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		t.Run(f.String(), func(t *testing.T) {
			s := newSlot(f)
			rapid.Check(t, func(t *rapid.T) {
				q := requests().Draw(t, "request")
				unit := regmap.Unit(rapid.Byte().Draw(t, "unit"))
				pdu, err := q.Append(nil)
				if err != nil {
					t.Fatalf("%v: %v", q, err)
				}
				var sent []byte
				take := taker(func(adu []byte) ([]byte, error) {
					sent = adu
					return nil, errTaken
				})
				s.setUnit(byte(unit))
				s.packager.request = q
				if err := s.send(take, &call{unit: unit, request: q, pdu: pdu}); !errors.Is(err, errTaken) {
					t.Fatalf("%v was not sent: %v", q, err)
				}
				a := frame.ADU{Framing: f, Unit: unit, PDU: pdu}
				if f == line.MBAP {
					a.Transaction = uint16(sent[0])<<8 | uint16(sent[1])
				}
				if ours, err := frame.AppendADU(nil, a); err != nil || !bytes.Equal(sent, ours) {
					t.Fatalf("%v: the library made %x, we make %x (%v)", q, sent, ours, err)
				}
			})
		})
	}
}

// What the library takes from an answer is what we take, and what it refuses
// beyond that never passes our judgement.
func TestTheLibraryReadsTheSameAnswers(t *testing.T) {
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		t.Run(f.String(), func(t *testing.T) {
			s := newSlot(f)
			rapid.Check(t, func(t *rapid.T) {
				q := requests().Draw(t, "request")
				pdu, err := q.Append(nil)
				if err != nil {
					t.Fatal(err)
				}
				answer := honest(17, q)
				if rapid.Bool().Draw(t, "damaged") {
					answer = append(answer, rapid.SliceOfN(rapid.Byte(), 0, 2).Draw(t, "tail")...)
					answer = answer[:min(len(answer), frame.MaxPDU)]
					answer[rapid.IntRange(0, len(answer)-1).Draw(t, "at")] ^= rapid.Byte().Draw(t, "flip")
				}
				whole := framedAnswer(f, answer)
				s.setUnit(17)
				s.packager.request = q
				err = s.send(taker(func(adu []byte) ([]byte, error) {
					if f == line.MBAP {
						copy(whole, adu[:2])
					}
					return whole, nil
				}), &call{unit: 17, request: q, pdu: pdu})
				a, ours := frame.Match(q, answer)
				o := outcome{received: whole}
				o.settle(a)
				switch words := disagreement(&o, err); {
				case ours == nil && words != "":
					t.Fatalf("%v answered %x: %s", q, answer, words)
				case ours != nil && err == nil:
					t.Fatalf("%v answered %x passes the library's check and not ours: %v", q, answer, ours)
				}
			})
		})
	}
}

// taker is a transporter made of a function.
type taker func(adu []byte) ([]byte, error)

func (f taker) Send(adu []byte) ([]byte, error) { return f(adu) }

// Another reading of the same answer would be a fault of this program, and is
// told as one.
func TestDisagreementIsInternal(t *testing.T) {
	good := outcome{cause: regmap.NoCause}
	if disagreement(&good, nil) != "" || disagreement(&good, errTaken) == "" {
		t.Error("an answer that one reader refuses must be told")
	}
	refused := outcome{}
	refused.settle(frame.Except(frame.ReadCoils, frame.IllegalDataValue))
	if disagreement(&refused, nil) == "" || disagreement(&refused, errTaken) == "" {
		t.Error("an exception that one reader does not see must be told")
	}
	if disagreement(&outcome{cause: regmap.Silent}, errUnanswered) != "" {
		t.Error("silence is no disagreement")
	}
}

// Nothing leaves but the request that was asked for, to the byte.
func TestAnotherFrameDoesNotLeave(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		pdu, _ := registers(0).Append(nil)
		other, _ := frame.AppendADU(nil, frame.ADU{Framing: line.MBAP, Unit: 18, PDU: pdu})
		c := &carrier{link: r.link, ctx: context.Background(), call: &call{unit: 17, request: registers(0), pdu: pdu, timing: timing}}
		for name, adu := range map[string][]byte{"another unit": other, "no frame": other[:5]} {
			if b, err := c.Send(adu); !errors.Is(err, errOtherFrame) || b != nil {
				t.Errorf("%s: %x, %v", name, b, err)
			}
		}
		if n := len(r.sent()); n != 0 {
			t.Errorf("%d requests left", n)
		}
	})
}
