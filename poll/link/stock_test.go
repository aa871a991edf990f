package link

import (
	"context"
	"errors"
	"io"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/goburrow/modbus"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// The tests Stock hold each fault of goburrow/modbus v0.1.0 that decided the
// design against this link. Where the library's packager and Client can be
// driven without its transporters, the same scene is played with them first and
// must fail, so that the reason for our own code stays visible. Its RTU and TCP
// transporters open ports themselves; what they get wrong is only shown to be
// right here.

// scripted is a transporter that answers with what it is given.
type scripted func(request []byte) ([]byte, error)

func (s scripted) Send(request []byte) ([]byte, error) { return s(request) }

// stock is the library's client over a transporter.
func stock(f line.Framing, unit byte, send scripted) modbus.Client {
	if f == line.RTU {
		h := modbus.NewRTUClientHandler("")
		h.SlaveId = unit
		return modbus.NewClient2(h, send)
	}
	h := modbus.NewTCPClientHandler("")
	h.SlaveId = unit
	return modbus.NewClient2(h, send)
}

// framed puts a PDU in answer to a request into its frame.
func framed(f line.Framing, request, pdu []byte) []byte {
	adu, err := frame.ParseADU(f, request)
	if err != nil {
		panic(err)
	}
	return heard{adu: adu}.answer(adu.Unit, pdu)
}

// inOrder is a transporter that takes what comes next on a stream for the
// answer, as the library's own do: nothing is discarded, nothing is counted.
func inOrder(f line.Framing, stream Stream, limit time.Duration) scripted {
	codec := frame.Codec{Framing: f, Awaits: &frame.Request{Function: frame.ReadHoldingRegisters, Quantity: 2}, Unit: 17}
	var in []byte
	return func(request []byte) ([]byte, error) {
		if _, err := stream.Write(request); err != nil {
			return nil, err
		}
		stream.SetReadDeadline(time.Now().Add(limit))
		for {
			_, skip, used, err := codec.Next(in)
			if err == nil {
				answer := in[skip:used]
				in = in[used:]
				return answer, nil
			}
			buf := make([]byte, 300)
			n, err := stream.Read(buf)
			if in = append(in, buf[:n]...); err != nil {
				return nil, err
			}
		}
	}
}

// Row 1 and trap 1: one late answer on a line without identifiers.
func TestStock01LateAnswerShiftsEveryValue(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		first := true
		lateOnce := func(h heard) []fault.Delivery {
			if first {
				first = false
				return []fault.Delivery{after(230*time.Millisecond, h.honest())}
			}
			return []fault.Delivery{after(60*time.Millisecond, h.honest())}
		}
		r.answer = lateOnce
		stream, _ := r.dial(context.Background())
		defer stream.Close()
		client := stock(line.RTU, 17, inOrder(line.RTU, stream, 200*time.Millisecond))
		if _, err := client.ReadHoldingRegisters(100, 2); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("the scene is not set: %v", err)
		}
		for a := uint16(101); a <= 107; a++ {
			b, err := client.ReadHoldingRegisters(a, 2)
			if err != nil || truth(17, regmap.HoldingRegister, int(a)-1) != uint16(b[0])<<8|uint16(b[1]) {
				t.Fatalf("stock, register %d: %x, %v; its fault is gone", a, b, err)
			}
		}
		first = true
		want(t, r.ask(17, registers(100)), regmap.Silent, "no answer")
		for a := regmap.Address(101); a <= 107; a++ {
			want(t, r.ask(17, registers(a)), regmap.NoCause, "") // ask compares the values
		}
	})
}

// Row 2: after one late answer on TCP every later call fails.
func TestStock02LateAnswerFailsEveryLaterCall(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		first := true
		r.answer = func(h heard) []fault.Delivery {
			if first {
				first = false
				return []fault.Delivery{after(230*time.Millisecond, h.honest())}
			}
			return []fault.Delivery{after(60*time.Millisecond, h.honest())}
		}
		stream, _ := r.dial(context.Background())
		defer stream.Close()
		client := stock(line.MBAP, 17, inOrder(line.MBAP, stream, 200*time.Millisecond))
		for a := range uint16(20) {
			if _, err := client.ReadHoldingRegisters(a, 2); err == nil {
				t.Fatalf("stock, call %d succeeds; its fault is gone", a)
			}
		}
		first = true
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		for a := range regmap.Address(20) {
			want(t, r.ask(17, registers(a)), regmap.NoCause, "")
		}
	})
}

// Row 3: a connection closed by the other end is opened again by itself.
func TestStock03ClosedConnectionIsOpenedAgain(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		for range 4 {
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
			r.ends[len(r.ends)-1].Close()
			synctest.Wait()
		}
		if s := r.link.Statistics(); s.Reconnects != 3 || s.Losses != 4 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Row 4 and trap 2: after half a frame or a bad length nothing of the stream
// is used; see also TestB7StreamWithoutBordersIsClosed.
func TestStock04HalfAFrameLeavesNothingMisaligned(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			b := h.honest()
			if h.n == 1 { // the rest comes after the limit
				return []fault.Delivery{after(0, b[:9]), after(250*time.Millisecond, b[9:])}
			}
			return []fault.Delivery{after(60*time.Millisecond, b)}
		}
		want(t, r.ask(17, registers(0)), regmap.CutOff, "answer cut off after 9 of 13 bytes")
		for a := range regmap.Address(20) {
			want(t, r.ask(17, registers(a)), regmap.NoCause, "")
		}
	})
}

// Row 5: an exception that comes as four bytes and one.
func TestStock05ExceptionInTwoPieces(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n%2 == 0 {
				return []fault.Delivery{after(60*time.Millisecond, h.honest())}
			}
			b := h.answer(17, []byte{0x83, 2})
			return []fault.Delivery{after(60*time.Millisecond, b[:4]), after(62*time.Millisecond, b[4:])}
		}
		for range 5 {
			x := r.ask(17, registers(0))
			if want(t, x, regmap.Excepted, "illegal data address"); x.Response.Exception != frame.IllegalDataAddress {
				t.Errorf("exception %v", x.Response.Exception)
			}
			want(t, r.ask(17, registers(4)), regmap.NoCause, "")
		}
	})
}

// Row 6: no fixed sleep before reading: 125 registers at 115200 bit/s that are
// there at once are read at once, where the library sleeps 200 ms.
func TestStock06NoSleepBeforeReading(t *testing.T) {
	c := rtu()
	c.Serial.Baud = 115200
	bubble(t, c, func(r *rig) {
		x := r.ask(17, frame.Read(regmap.HoldingRegister, 0, 125))
		want(t, x, regmap.NoCause, "")
		if got := x.Done.Sub(x.Asked); got > 3*time.Millisecond {
			t.Errorf("done after %s", got)
		}
	})
}

// Row 9: the worked example of V1.1b3, 6.18 is an answer.
func TestStock09ReadFIFOQueue(t *testing.T) {
	example := []byte{0x18, 0x00, 0x06, 0x00, 0x02, 0x01, 0xB8, 0x12, 0x84}
	for _, f := range []line.Framing{line.RTU, line.MBAP} {
		client := stock(f, 17, func(request []byte) ([]byte, error) { return framed(f, request, example), nil })
		if _, err := client.ReadFIFOQueue(0x04DE); err == nil {
			t.Errorf("stock %s takes the example; its fault is gone", f)
		}
		bubble(t, Config{Framing: f}, func(r *rig) {
			x := r.ask(17, frame.Request{Function: frame.ReadFIFOQueue, Address: 0x04DE})
			want(t, x, regmap.NoCause, "")
			if got := x.Response.Registers(nil); len(got) != 2 || got[0] != 0x01B8 || got[1] != 0x1284 {
				t.Errorf("registers %04x", got)
			}
		})
	}
}

// Row 10: ten registers asked, one delivered; an odd byte count.
func TestStock10AnswerShorterThanAsked(t *testing.T) {
	for name, short := range map[string][]byte{"one of ten": {3, 2, 0x12, 0x34}, "odd": {3, 3, 1, 2, 3}} {
		for _, f := range []line.Framing{line.RTU, line.MBAP} {
			client := stock(f, 17, func(request []byte) ([]byte, error) { return framed(f, request, short), nil })
			if _, err := client.ReadHoldingRegisters(0, 10); err != nil {
				t.Errorf("stock %s refuses %s: %v; its fault is gone", f, name, err)
			}
			bubble(t, Config{Framing: f}, func(r *rig) {
				r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(17, short))} }
				x := r.ask(17, frame.Read(regmap.HoldingRegister, 0, 10))
				want(t, x, regmap.Mismatch, "")
			})
		}
	}
}

// Row 11: function 04 in the answer to 03 is no exception of the station.
func TestStock11OtherFunctionIsNoException(t *testing.T) {
	other := []byte{4, 2, 0x12, 0x34}
	for _, f := range []line.Framing{line.RTU, line.MBAP} {
		client := stock(f, 17, func(request []byte) ([]byte, error) { return framed(f, request, other), nil })
		var e *modbus.ModbusError
		if _, err := client.ReadHoldingRegisters(0, 1); !errors.As(err, &e) || e.ExceptionCode != 2 {
			t.Errorf("stock %s: %v; its fault is gone", f, err)
		}
		bubble(t, Config{Framing: f}, func(r *rig) {
			r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(17, other))} }
			want(t, r.ask(17, frame.Read(regmap.HoldingRegister, 0, 1)), regmap.Mismatch, "not an answer to this request")
		})
	}
}

// Row 12: quantity against data, the byte count's wrap, the table's end.
func TestStock12WritesAreCheckedBeforeTheyLeave(t *testing.T) {
	var sent []byte
	client := stock(line.MBAP, 17, func(request []byte) ([]byte, error) {
		sent = request
		return nil, io.EOF
	})
	client.WriteMultipleRegisters(0, 3, make([]byte, 300))
	if len(sent) != 313 || sent[12] != 44 {
		t.Errorf("stock sends %d bytes with byte count %d; its fault is gone", len(sent), sent[12])
	}
	sent = nil
	client.WriteMultipleRegisters(65535, 2, make([]byte, 4))
	if sent == nil {
		t.Error("stock refuses what reaches beyond the table; its fault is gone")
	}
	bubble(t, plain(), func(r *rig) {
		for _, q := range []frame.Request{
			{Function: frame.WriteMultipleRegisters, Quantity: 3, Data: make([]byte, 300)},
			{Function: frame.WriteMultipleRegisters, Quantity: 150, Data: make([]byte, 300)},
			{Function: frame.WriteMultipleRegisters, Quantity: 2, Data: make([]byte, 6)},
			{Function: frame.WriteMultipleCoils, Quantity: 9, Data: make([]byte, 1)},
			{Function: frame.ReadWriteMultipleRegisters, Quantity: 1, WriteQuantity: 2, Data: make([]byte, 2)},
			{Function: frame.WriteMultipleRegisters, Address: 65535, Quantity: 2, Data: make([]byte, 4)},
			{Function: frame.ReadWriteMultipleRegisters, Address: 65535, Quantity: 1, WriteAddress: 65535, WriteQuantity: 2, Data: make([]byte, 4)},
		} {
			pdu, _ := q.Append(nil)
			if x, err := r.link.Change(context.Background(), 17, q, permitFor(17, pdu)); err == nil || x != nil {
				t.Errorf("%v: %v, %v", q, x, err)
			}
		}
		if x, err := r.link.Ask(context.Background(), 17, registers(65535)); !errors.Is(err, ErrBeyond) || x != nil {
			t.Errorf("a read beyond the table: %v, %v", x, err)
		}
		if n := len(r.sent()); n != 0 {
			t.Errorf("%d requests left", n)
		}
	})
}

// Row 13: the library's check of a TCP answer panics on no byte or one.
func TestStock13ShortAnswersDoNotPanic(t *testing.T) {
	panics := func(f func()) (did bool) {
		defer func() { did = recover() != nil }()
		f()
		return false
	}
	request := []byte{0, 1, 0, 0, 0, 6, 17, 3, 0, 0, 0, 2}
	for n := range 2 {
		if !panics(func() { modbus.NewTCPClientHandler("").Verify(request, make([]byte, n)) }) {
			t.Errorf("stock does not panic on %d bytes; its fault is gone", n)
		}
	}
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		s := newSlot(f)
		s.packager.request = registers(0)
		whole := framedAnswer(f, honest(17, registers(0)))
		for n := range whole {
			if err := s.packager.Verify(nil, whole[:n]); err == nil {
				t.Errorf("%s: %d of %d bytes pass", f, n, len(whole))
			}
		}
		if err := s.packager.Verify(nil, whole); err != nil {
			t.Errorf("%s: %v", f, err)
		}
	}
}

func framedAnswer(f line.Framing, pdu []byte) []byte {
	return heard{adu: frame.ADU{Framing: f}}.answer(17, pdu)
}

// Row 15: nobody answers a broadcast, and nobody waits for it; the library's
// Client has no way to say so.
func TestStock15Broadcast(t *testing.T) {
	client := stock(line.RTU, 0, func([]byte) ([]byte, error) { return nil, os.ErrDeadlineExceeded })
	if _, err := client.WriteSingleRegister(1, 3); err == nil {
		t.Error("stock sends broadcasts; its fault is gone")
	}
	bubble(t, rtu(), func(r *rig) {
		x := r.change(0, frame.WriteRegister(1, 3))
		want(t, x, regmap.Silent, "a broadcast is never answered")
		if x.Done != x.Left || x.Sent == nil {
			t.Errorf("sent %x, waited %s", x.Sent, x.Done.Sub(x.Left))
		}
	})
}

// Row 16: a device that answers with another unit on a direct connection.
func TestStock16OtherUnitOnADirectConnection(t *testing.T) {
	client := stock(line.MBAP, 17, func(request []byte) ([]byte, error) {
		answer := framed(line.MBAP, request, honest(17, registers(0)))
		answer[6] = 1
		return answer, nil
	})
	if _, err := client.ReadHoldingRegisters(0, 2); err == nil {
		t.Error("stock takes another unit; its fault is gone")
	}
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(1, honest(17, h.q)))} }
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

// refusing is a packager that makes no frame.
type refusing struct{ modbus.Packager }

func (refusing) Encode(*modbus.ProtocolDataUnit) ([]byte, error) { return nil, errTaken }

// A request that the packager refuses did not leave, and says so.
func TestRefusedByThePackager(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		for _, q := range []frame.Request{registers(0), {Function: frame.ReportServerID}} {
			pdu, _ := q.Append(nil)
			s := &slot{packager: packager{Packager: refusing{}}, setUnit: func(byte) {}}
			o := r.link.carry(context.Background(), s, &call{unit: 17, request: q, pdu: pdu, timing: timing})
			if o.cause != regmap.Internal || o.sent != nil || !contains(o.detail, "refused before it left") {
				t.Errorf("cause %q, %s, sent %x", o.cause, o.detail, o.sent)
			}
		}
	})
}

// An answer of which the library makes something else than we do is no answer.
func TestReadersThatDisagree(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		q := registers(0)
		pdu, _ := q.Append(nil)
		s := newSlot(line.MBAP)
		s.packager.Packager = bending{s.packager.Packager}
		s.setUnit(17)
		o := r.link.carry(context.Background(), s, &call{unit: 17, request: q, pdu: pdu, timing: timing})
		if o.cause != regmap.Internal || o.response.Function != 0 || !contains(o.detail, "disagree") {
			t.Errorf("cause %q, %s", o.cause, o.detail)
		}
	})
}

// bending is a packager that reads another function than came.
type bending struct{ modbus.Packager }

func (b bending) Decode(adu []byte) (*modbus.ProtocolDataUnit, error) {
	pdu, err := b.Packager.Decode(adu)
	if err == nil {
		pdu.FunctionCode |= 0x80
	}
	return pdu, err
}
