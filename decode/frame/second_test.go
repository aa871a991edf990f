package frame

import (
	"bytes"
	"errors"
	"testing"

	"github.com/goburrow/modbus"
	"pgregory.net/rapid"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// packager is what the client library has for each framing.
type packager interface {
	Encode(*modbus.ProtocolDataUnit) ([]byte, error)
	Decode([]byte) (*modbus.ProtocolDataUnit, error)
}

// second gives the library's packager for a unit; nothing is opened.
func second(f line.Framing, unit byte) packager {
	switch f {
	case line.MBAP:
		h := modbus.NewTCPClientHandler("")
		h.SlaveId = unit
		return h
	case line.RTU:
		h := modbus.NewRTUClientHandler("")
		h.SlaveId = unit
		return h
	}
	h := modbus.NewASCIIClientHandler("")
	h.SlaveId = unit
	return h
}

// drawPDU draws a PDU that parses: one of the vectors', or a request with free
// numbers.
func drawPDU(seeds []seedFrame) *rapid.Generator[[]byte] {
	return rapid.Custom(func(t *rapid.T) []byte {
		if rapid.Bool().Draw(t, "vector") {
			return rapid.SampledFrom(seeds).Draw(t, "seed").pdu
		}
		at := regmap.Address(rapid.Uint16().Draw(t, "address"))
		var q Request
		switch rapid.IntRange(0, 6).Draw(t, "request") {
		case 0:
			q = Read(regmap.HoldingRegister, at, rapid.IntRange(1, 125).Draw(t, "n"))
		case 1:
			q = Read(regmap.Coil, at, rapid.IntRange(1, 2000).Draw(t, "n"))
		case 2:
			q = WriteRegisters(at, rapid.SliceOfN(rapid.Uint16(), 1, 123).Draw(t, "values")...)
		case 3:
			q = WriteCoils(at, rapid.SliceOfN(rapid.Bool(), 1, 1968).Draw(t, "bits")...)
		case 4:
			q = ReadWrite(at, rapid.IntRange(1, 125).Draw(t, "n"), at, rapid.SliceOfN(rapid.Uint16(), 1, 121).Draw(t, "values")...)
		case 5:
			q = MaskWrite(at, rapid.Uint16().Draw(t, "and"), rapid.Uint16().Draw(t, "or"))
		default:
			q = WriteRegister(at, rapid.Uint16().Draw(t, "value"))
		}
		pdu, err := q.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		return pdu
	})
}

// A second encoder, the client library's, makes the same frames and takes ours
// apart. TCP transactions are its own count; the first is 1.
func TestSecondEncoder(t *testing.T) {
	seeds := seedFrames(t)
	rapid.Check(t, func(t *rapid.T) {
		pdu := drawPDU(seeds).Draw(t, "pdu")
		unit := rapid.Byte().Draw(t, "unit")
		for _, f := range framings {
			p := second(f, unit)
			theirs, err := p.Encode(&modbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
			if err != nil {
				t.Fatalf("%v: % X: %v", f, pdu, err)
			}
			a := ADU{Framing: f, Unit: regmap.Unit(unit), PDU: pdu}
			if f == line.MBAP {
				a.Transaction = 1
			}
			ours, err := AppendADU(nil, a)
			if err != nil || !bytes.Equal(ours, theirs) {
				t.Fatalf("%v: % X, %v, the second encoder has % X", f, ours, err, theirs)
			}
			back, err := p.Decode(ours)
			if err != nil || back.FunctionCode != pdu[0] || !bytes.Equal(back.Data, pdu[1:]) {
				t.Fatalf("%v: % X taken apart as %+v, %v", f, ours, back, err)
			}
		}
	})
}

// Its typed calls build the requests that ours build.
func TestSecondClient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Uint16().Draw(t, "address")
		n := rapid.Uint16Range(1, 125).Draw(t, "n")
		value := rapid.Uint16().Draw(t, "value")
		values := rapid.SliceOfN(rapid.Uint16(), 1, 121).Draw(t, "values")
		bits := rapid.SliceOfN(rapid.Bool(), 1, 1968).Draw(t, "bits")
		coils := WriteCoils(regmap.Address(at), bits...)
		kept := &keeper{packager: second(line.RTU, 17).(modbus.Packager)}
		c := modbus.NewClient2(kept, kept)
		for _, s := range []struct {
			q    Request
			call func()
		}{
			{Read(regmap.Coil, regmap.Address(at), int(n)), func() { _, _ = c.ReadCoils(at, n) }},
			{Read(regmap.DiscreteInput, regmap.Address(at), int(n)), func() { _, _ = c.ReadDiscreteInputs(at, n) }},
			{Read(regmap.HoldingRegister, regmap.Address(at), int(n)), func() { _, _ = c.ReadHoldingRegisters(at, n) }},
			{Read(regmap.InputRegister, regmap.Address(at), int(n)), func() { _, _ = c.ReadInputRegisters(at, n) }},
			{WriteRegister(regmap.Address(at), value), func() { _, _ = c.WriteSingleRegister(at, value) }},
			{WriteCoil(regmap.Address(at), true), func() { _, _ = c.WriteSingleCoil(at, 0xFF00) }},
			{WriteRegisters(regmap.Address(at), values...), func() { _, _ = c.WriteMultipleRegisters(at, uint16(len(values)), words(values)) }},
			{coils, func() { _, _ = c.WriteMultipleCoils(at, uint16(len(bits)), coils.Data) }},
			{MaskWrite(regmap.Address(at), value, at), func() { _, _ = c.MaskWriteRegister(at, value, at) }},
			{ReadWrite(regmap.Address(at), int(n), regmap.Address(value), values...),
				func() { _, _ = c.ReadWriteMultipleRegisters(at, n, value, uint16(len(values)), words(values)) }},
			{Request{Function: ReadFIFOQueue, Address: regmap.Address(at)}, func() { _, _ = c.ReadFIFOQueue(at) }},
		} {
			kept.sent = nil
			s.call()
			pdu, err := s.q.Append(nil)
			if err != nil {
				t.Fatal(err)
			}
			if want, err := AppendADU(nil, ADU{Framing: line.RTU, Unit: 17, PDU: pdu}); err != nil || !bytes.Equal(kept.sent, want) {
				t.Fatalf("%v: % X, the client sends % X", s.q.Function, want, kept.sent)
			}
		}
	})
}

// keeper is a transporter that keeps what would be sent and answers nothing.
type keeper struct {
	packager modbus.Packager
	sent     []byte
}

func (k *keeper) Encode(p *modbus.ProtocolDataUnit) ([]byte, error) { return k.packager.Encode(p) }
func (k *keeper) Decode(b []byte) (*modbus.ProtocolDataUnit, error) { return k.packager.Decode(b) }
func (k *keeper) Verify(a, b []byte) error                          { return k.packager.Verify(a, b) }
func (k *keeper) Send(b []byte) ([]byte, error) {
	k.sent = bytes.Clone(b)
	return nil, errors.New("nothing is opened here")
}
