package poll_test

import (
	"context"
	"errors"
	"os"
	"sync"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A cellMedium is what carries the bytes of a cell of the matrix.
type cellMedium struct {
	name      string
	framing   line.Framing
	serial    line.Serial
	datagrams bool
	gateway   bool // answers of another unit are refused
}

var cellMedia = []cellMedium{
	{name: "mbap", framing: line.MBAP, gateway: true},
	{name: "mbap in datagrams", framing: line.MBAP, datagrams: true},
	{name: "rtu", framing: line.RTU, serial: line.Serial{Port: "pipe", Baud: 19200, Parity: line.Even, Stop: 1}},
	{name: "ascii", framing: line.ASCII, serial: line.Serial{Port: "pipe", Baud: 19200, Parity: line.Even, Stop: 1}},
	{name: "rtu in tcp", framing: line.RTU},
	{name: "ascii in tcp", framing: line.ASCII},
}

func (m cellMedium) mbap() bool     { return m.framing == line.MBAP }
func (m cellMedium) onSerial() bool { return m.serial.Baud > 0 }

// adu frames a PDU.
func (m cellMedium) adu(transaction uint16, u regmap.Unit, pdu []byte) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: m.framing, Transaction: transaction, Unit: u, PDU: pdu})
	if err != nil {
		panic(err) // the cells' own frames fit
	}
	return b
}

// A cellFunction makes the requests of one function: no two have the same
// contents, all have one look.
type cellFunction struct {
	code frame.Function
	make func(i int) frame.Request
}

// cellFunctions is what a client sends.
var cellFunctions = []cellFunction{
	{frame.ReadCoils, func(i int) frame.Request { return frame.Read(regmap.Coil, regmap.Address(100*i), 29) }},
	{frame.ReadDiscreteInputs, func(i int) frame.Request { return frame.Read(regmap.DiscreteInput, regmap.Address(100*i), 29) }},
	{frame.ReadHoldingRegisters, func(i int) frame.Request { return frame.Read(regmap.HoldingRegister, regmap.Address(100*i), 3) }},
	{frame.ReadInputRegisters, func(i int) frame.Request { return frame.Read(regmap.InputRegister, regmap.Address(100*i), 3) }},
	{frame.WriteSingleCoil, func(i int) frame.Request { return frame.WriteCoil(regmap.Address(300+i), i%2 == 0) }},
	{frame.WriteSingleRegister, func(i int) frame.Request { return frame.WriteRegister(regmap.Address(300+i), uint16(700+i)) }},
	{frame.WriteMultipleCoils, func(i int) frame.Request { return frame.WriteCoils(regmap.Address(300+i), true, false, true) }},
	{frame.WriteMultipleRegisters, func(i int) frame.Request {
		return frame.WriteRegisters(regmap.Address(300+i), uint16(800+i), uint16(900+i))
	}},
	{frame.MaskWriteRegister, func(i int) frame.Request { return frame.MaskWrite(regmap.Address(300+i), 0x00F2, 0x0025) }},
	{frame.ReadWriteMultipleRegisters, func(i int) frame.Request {
		return frame.ReadWrite(regmap.Address(100*i), 3, regmap.Address(400+i), uint16(800+i))
	}},
	{frame.ReadFileRecord, func(i int) frame.Request { // V1.1b3, 6.14: type 06, file, record, length
		return frame.Request{Function: frame.ReadFileRecord, Data: []byte{6, 0, 4, 0, byte(10 * i), 0, 2}}
	}},
	{frame.ReadFIFOQueue, func(i int) frame.Request {
		return frame.Request{Function: frame.ReadFIFOQueue, Address: regmap.Address(1200 + i)}
	}},
	{frame.EncapsulatedInterface, func(i int) frame.Request { return frame.ReadDeviceID(frame.DeviceIDObject, uint8(i)) }},
}

// cellTruth is the PDU with which a station answers: contents that say who they
// are, and the echo of a write. Nothing else is right.
func cellTruth(u regmap.Unit, q frame.Request) []byte {
	words := func(t regmap.Table, a, n int) (b []byte) {
		for i := range n {
			v := truth(u, t, a+i)
			b = append(b, byte(v>>8), byte(v))
		}
		return b
	}
	r := frame.Response{Function: q.Function}
	switch q.Function {
	case frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters:
		r = new(station).contents(u, q)
	case frame.ReadWriteMultipleRegisters:
		r.Data = words(regmap.HoldingRegister, int(q.Address), q.Quantity)
	case frame.WriteMultipleCoils, frame.WriteMultipleRegisters:
		r.Address, r.Quantity = q.Address, q.Quantity
	case frame.ReadFileRecord: // V1.1b3, 6.14: length, type 06, words
		r.Data = append([]byte{5, 6}, words(regmap.InputRegister, 20000+int(q.Data[4]), 2)...)
	case frame.ReadFIFOQueue:
		r.Data = words(regmap.InputRegister, 30000+4*int(q.Address), 3)
	case frame.EncapsulatedInterface: // V1.1b3, 6.21: one object
		r.MEI, r.Code, r.Conformity, r.Count = q.MEI, q.Code, 0x83, 1
		r.Data = append([]byte{q.Object, 4}, words(regmap.InputRegister, 40000+int(q.Object), 2)...)
	default:
		pdu, err := q.Append(nil) // 05, 06, 16: the request comes back
		if err != nil {
			panic(err)
		}
		return pdu
	}
	pdu, err := r.Append(nil)
	if err != nil {
		panic(err)
	}
	return pdu
}

// A far end is the station of one cell, with what is done to its answer.
type farEnd struct {
	cell cell
	run  *fault.Run

	mu     sync.Mutex
	ends   []*fault.End
	dials  int
	done   map[string]int // requests that were carried out, by their PDU
	struck bool           // the answer in question was given
}

// dial opens another stream of the cell.
func (s *farEnd) dial(ctx context.Context) (link.Stream, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dials++; s.dials == 1 && s.cell.row.dial != nil {
		return nil, s.cell.row.dial(ctx)
	}
	ours, theirs := fault.Pipe()
	if s.cell.medium.datagrams {
		ours, theirs = fault.PacketPipe()
	}
	s.run.Between(ours, theirs)
	s.ends = append(s.ends, ours, theirs)
	go s.serve(theirs)
	if d := s.cell.row.kept; d > 0 && len(s.ends) == 2 {
		time.AfterFunc(d, theirs.Reset)
	}
	return ours, nil
}

// shut ends all streams.
func (s *farEnd) shut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.ends {
		_ = e.Close()
	}
}

// halfAFrame is how long the station waits for the rest of a frame, after which
// bytes on a line are forgotten and a connection is closed.
const halfAFrame = 50 * time.Millisecond

// serve answers on one stream.
func (s *farEnd) serve(end *fault.End) {
	defer end.Close()
	m := s.cell.medium
	var in []byte
	buf := make([]byte, 1024)
	for {
		var due time.Time
		if len(in) > 0 {
			due = time.Now().Add(halfAFrame)
		}
		_ = end.SetReadDeadline(due)
		n, err := end.Read(buf)
		in = append(in, buf[:n]...)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded) && !m.mbap():
			in = in[:0]
		case errors.Is(err, fault.ErrRefused):
		case err != nil:
			return
		}
		for {
			adu, skip, used, err := frame.Codec{Framing: m.framing}.Next(in)
			if m.datagrams && used < len(in) {
				in, used, err = nil, 0, frame.ErrMore // a datagram is one frame or none
			}
			if err == nil {
				adu, err = frame.ParseADU(m.framing, append([]byte(nil), in[skip:used]...))
			}
			if err == nil {
				s.heard(end, adu)
			}
			if in = in[used:]; used > 0 {
				continue
			}
			if m.mbap() && frame.Fatal(err) {
				return
			}
			break
		}
	}
}

// heard answers one request. The answer in question is that to the request of
// the cell, the first time it is given.
func (s *farEnd) heard(end *fault.End, adu frame.ADU) {
	q, err := frame.ParseRequest(adu.PDU)
	if err != nil {
		return // no request of the cell arrives so without its check failing
	}
	s.mu.Lock()
	s.done[string(adu.PDU)]++
	row := s.cell.row
	first := !s.struck && string(adu.PDU) == s.cell.pdu
	strike := row.forge != nil && (row.always || first)
	s.struck = s.struck || first
	s.mu.Unlock()
	f := forging{medium: s.cell.medium, transaction: adu.Transaction, unit: adu.Unit, q: q, struck: first, asked: adu.PDU, pdu: cellTruth(adu.Unit, q)}
	if !strike {
		_, _ = end.Write(f.frame())
		return
	}
	for _, chunk := range row.forge(f) {
		_, _ = end.Write(chunk)
	}
}

// A forging is an answer that is about to be given, and its request.
type forging struct {
	medium      cellMedium
	transaction uint16
	unit        regmap.Unit
	q           frame.Request
	struck      bool // it is the answer in question
	asked, pdu  []byte
}

// frame is the true answer.
func (f forging) frame() []byte { return f.of(f.pdu) }

// of frames another PDU as an answer to the request.
func (f forging) of(pdu []byte) []byte { return f.medium.adu(f.transaction, f.unit, pdu) }

// other is a true answer to somebody else's question of the same kind: of
// another unit, and with MBAP of another transaction.
func (f forging) other() []byte {
	return f.medium.adu(f.transaction+30000, f.unit+1, cellTruth(f.unit+1, f.q))
}
