package simdevice

import (
	"bytes"
	"testing"
	"testing/synctest"

	"github.com/goburrow/modbus"

	"plumbline/regmap/line"
)

// foreignLink carries the frames of a client library that is not ours over a
// link in memory.
type foreignLink struct{ c *client }

func (l foreignLink) Send(request []byte) ([]byte, error) {
	l.c.send(request...)
	return l.c.heard(), nil
}

// A foreign library's frames are understood, and it accepts what is answered:
// github.com/goburrow/modbus v0.1.0 packs the requests and checks the answers,
// in all three framings.
func TestForeignClient(t *testing.T) {
	tcp, serial, ascii := modbus.NewTCPClientHandler(""), modbus.NewRTUClientHandler(""), modbus.NewASCIIClientHandler("")
	tcp.SlaveId, serial.SlaveId, ascii.SlaveId = byte(testUnit), byte(testUnit), byte(testUnit)
	for f, packager := range map[line.Framing]modbus.Packager{line.MBAP: tcp, line.RTU: serial, line.ASCII: ascii} {
		synctest.Test(t, func(t *testing.T) {
			c := served(t, stationOf(t, hundred(""), Options{}), f)
			m := modbus.NewClient2(packager, foreignLink{c})
			for _, row := range []struct {
				name string
				call func() ([]byte, error)
				want []byte
			}{
				{"write register", func() ([]byte, error) { return m.WriteSingleRegister(1, 0xABCD) }, []byte{0xAB, 0xCD}},
				{"write registers", func() ([]byte, error) { return m.WriteMultipleRegisters(2, 2, []byte{1, 2, 3, 4}) }, []byte{0, 2}},
				{"mask", func() ([]byte, error) { return m.MaskWriteRegister(1, 0xFF00, 0x0012) }, []byte{0, 0x12}},
				{"read holding", func() ([]byte, error) { return m.ReadHoldingRegisters(0, 4) }, []byte{0, 0, 0xAB, 0x12, 1, 2, 3, 4}},
				{"read and write", func() ([]byte, error) { return m.ReadWriteMultipleRegisters(3, 2, 4, 1, []byte{9, 9}) }, []byte{3, 4, 9, 9}},
				{"write coil", func() ([]byte, error) { return m.WriteSingleCoil(7, 0xFF00) }, []byte{0xFF, 0}},
				{"write coils", func() ([]byte, error) { return m.WriteMultipleCoils(8, 3, []byte{5}) }, []byte{0, 3}},
				{"read coils", func() ([]byte, error) { return m.ReadCoils(0, 16) }, []byte{0x80, 0x05}},
				{"read inputs", func() ([]byte, error) { return m.ReadDiscreteInputs(0, 9) }, []byte{0, 0}},
				{"read input registers", func() ([]byte, error) { return m.ReadInputRegisters(98, 2) }, []byte{0, 0, 0, 0}},
			} {
				if got, err := row.call(); err != nil || !bytes.HasSuffix(got, row.want) || len(got) > len(row.want)+2 {
					t.Errorf("%v, %s: % X, %v; want % X", f, row.name, got, err, row.want)
				}
			}
			_, err := m.ReadHoldingRegisters(99, 2)
			if e, ok := err.(*modbus.ModbusError); !ok || e.ExceptionCode != 2 || e.FunctionCode != 0x83 {
				t.Errorf("%v: %v", f, err)
			}
		})
	}
}
