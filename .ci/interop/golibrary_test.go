package interop

import (
	"fmt"
	"io"
	"log"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
)

// items is how many addresses each table of a foreign server has, from 0.
const items = 200

// A bank is the contents behind the Go library's server, which calls it for
// each request that it understood.
type bank struct {
	mu        sync.Mutex
	coils     [items]bool
	inputs    [items]bool
	holding   [items]uint16
	input     [items]uint16
	functions map[string]bool // asked for so far
	role      string          // of the certificate that the last one came with
}

// span checks a request's items and notes its function: the plain one for one
// item, many for more.
func (b *bank) span(at, count uint16, plain, many string) (from, to int, err error) {
	if count > 1 {
		plain = many
	}
	b.functions[plain] = true
	if int(at)+int(count) > items {
		return 0, 0, modbus.ErrIllegalDataAddress
	}
	return int(at), int(at) + int(count), nil
}

func (b *bank) HandleCoils(q *modbus.CoilsRequest) ([]bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	plain, many := "1", "1"
	if q.IsWrite {
		plain, many = "5", "15"
	}
	from, to, err := b.span(q.Addr, q.Quantity, plain, many)
	if err == nil && q.IsWrite {
		copy(b.coils[from:to], q.Args)
	}
	return append([]bool(nil), b.coils[from:to]...), err
}

func (b *bank) HandleDiscreteInputs(q *modbus.DiscreteInputsRequest) ([]bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	from, to, err := b.span(q.Addr, q.Quantity, "2", "2")
	return append([]bool(nil), b.inputs[from:to]...), err
}

func (b *bank) HandleHoldingRegisters(q *modbus.HoldingRegistersRequest) ([]uint16, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	plain, many := "3", "3"
	if q.IsWrite {
		plain, many = "6", "16"
	}
	from, to, err := b.span(q.Addr, q.Quantity, plain, many)
	b.role = q.ClientRole
	if err == nil && q.IsWrite {
		copy(b.holding[from:to], q.Args)
	}
	return append([]uint16(nil), b.holding[from:to]...), err
}

func (b *bank) HandleInputRegisters(q *modbus.InputRegistersRequest) ([]uint16, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	from, to, err := b.span(q.Addr, q.Quantity, "4", "4")
	return append([]uint16(nil), b.input[from:to]...), err
}

// lastRole is the role of the certificate that the last request for holding
// registers came with.
func (b *bank) lastRole() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.role
}

// asked says which functions were asked for.
func (b *bank) asked() map[string]bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	asked := map[string]bool{}
	for f := range b.functions {
		asked[f] = true
	}
	return asked
}

var quiet = log.New(io.Discard, "", 0)

// serveLibrary starts the Go library's server with the contents.
func serveLibrary(t *testing.T) (address string, b *bank) {
	t.Helper()
	b = &bank{functions: map[string]bool{}}
	address = b.serve(t, modbus.ServerConfiguration{URL: "tcp://"})
	b.fill(t, address)
	return address, b
}

// serve starts a server of the bank; the URL lacks the address. The library
// does not say which port it got when it is given 0, so a free one is looked
// for, again when somebody else took it in between.
func (b *bank) serve(t *testing.T, c modbus.ServerConfiguration) (address string) {
	t.Helper()
	scheme := c.URL
	c.Timeout, c.Logger = childLimit, quiet
	for range 20 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		address = l.Addr().String()
		l.Close()
		c.URL = scheme + address
		server, err := modbus.NewServer(&c, b)
		if err != nil {
			t.Fatal(err)
		}
		if server.Start() == nil {
			t.Cleanup(func() { server.Stop() })
			return address
		}
	}
	t.Fatal("no free port was found in 20 tries")
	return ""
}

// fill gives the bank its contents. What needs an order is written by the
// library's own client, so that it is the library that orders it.
func (b *bank) fill(t *testing.T, address string) {
	t.Helper()
	c := dialLibrary(t, "tcp://"+address)
	for _, g := range contents {
		if g.table != "" {
			if err := c.write(g); err != nil {
				t.Fatal(err)
			}
		}
		b.put(g)
	}
}

// put puts one thing where it belongs. No client can write input registers:
// what the library ordered is moved there.
func (b *bank) put(g given) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case g.table == "input-register":
		copy(b.input[g.at:], b.holding[g.at:g.at+2])
		clear(b.holding[g.at : g.at+2])
	case g.kind == "coil":
		b.coils[g.at] = g.value != 0
	case g.kind == "discrete-input":
		b.inputs[g.at] = g.value != 0
	case g.kind == "input-register":
		b.input[g.at] = uint16(g.value)
	case g.kind == "holding-register":
		b.holding[g.at] = uint16(g.value)
	}
	b.functions = map[string]bool{}
}

// A libraryClient is the Go library's client.
type libraryClient struct{ *modbus.ModbusClient }

// dialLibrary opens the client at a URL whose scheme is the framing: tcp, udp,
// rtuovertcp, or rtu for a serial port.
func dialLibrary(t *testing.T, url string) libraryClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: url, Timeout: 5 * time.Second, Logger: quiet,
		Speed: 19200, Parity: modbus.PARITY_EVEN})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetUnitId(unitNumber)
	return libraryClient{c}
}

// has says which words of peer.c this client knows.
func (libraryClient) has(kind string) bool {
	return slices.Contains([]string{"1", "2", "3", "4", "5", "6", "15", "16", "coil-value", "float-cdab"}, kind)
}

// order sets the word order of what follows.
func (c libraryClient) order(kind string) {
	words := modbus.HIGH_WORD_FIRST
	if strings.HasSuffix(kind, "cdab") {
		words = modbus.LOW_WORD_FIRST
	}
	c.SetEncoding(modbus.BIG_ENDIAN, words)
}

func (c libraryClient) write(g given) error {
	c.order(g.kind)
	if g.kind == "uint32" {
		return c.WriteUint32(uint16(g.at), uint32(g.value))
	}
	return c.WriteFloat32(uint16(g.at), float32(g.value))
}

// ask sends a request in the words of peer.c and answers in them too.
func (c libraryClient) ask(request string) string {
	kind, n, err := splitRequest(request)
	if err != nil {
		return err.Error()
	}
	values, err := c.call(kind, n)
	code, refused := exceptions[err]
	switch {
	case refused:
		return fmt.Sprintf("exception %d", code)
	case err != nil:
		return "error " + err.Error()
	}
	return strings.TrimSpace("ok " + values)
}

// splitRequest is a request's kind and numbers.
func splitRequest(request string) (kind string, n []uint16, err error) {
	kind, rest, _ := strings.Cut(request, " ")
	for _, word := range strings.Fields(rest) {
		v, err := strconv.ParseUint(word, 0, 16)
		if err != nil {
			return kind, nil, err
		}
		n = append(n, uint16(v))
	}
	return kind, n, nil
}

// exceptions are the codes of the library's errors.
// Source: Modbus Application Protocol V1.1b3, 7.
var exceptions = map[error]int{
	modbus.ErrIllegalFunction: 1, modbus.ErrIllegalDataAddress: 2,
	modbus.ErrIllegalDataValue: 3, modbus.ErrServerDeviceFailure: 4,
}

// call makes the library's call for a function code and its numbers.
func (c libraryClient) call(kind string, n []uint16) (values string, err error) {
	switch kind {
	case "1":
		bits, err := c.ReadCoils(n[0], n[1])
		return ones(bits), err
	case "2":
		bits, err := c.ReadDiscreteInputs(n[0], n[1])
		return ones(bits), err
	case "3":
		words, err := c.ReadRegisters(n[0], n[1], modbus.HOLDING_REGISTER)
		return strings.Trim(fmt.Sprint(words), "[]"), err
	case "4":
		words, err := c.ReadRegisters(n[0], n[1], modbus.INPUT_REGISTER)
		return strings.Trim(fmt.Sprint(words), "[]"), err
	case "5":
		return "", c.WriteCoil(n[0], n[1] != 0)
	case "coil-value":
		return "", c.WriteCoilValue(n[0], n[1])
	case "6":
		return "", c.WriteRegister(n[0], n[1])
	case "15":
		var bits []bool
		for _, v := range n[1:] {
			bits = append(bits, v != 0)
		}
		return "", c.WriteCoils(n[0], bits)
	case "16":
		return "", c.WriteRegisters(n[0], n[1:])
	case "float-cdab", "float-abcd":
		c.order(kind)
		table := modbus.HOLDING_REGISTER
		if n[0] == 4 {
			table = modbus.INPUT_REGISTER
		}
		f, err := c.ReadFloat32(n[1], table)
		return fmt.Sprintf("%.9g", f), err
	}
	return "", fmt.Errorf("the library has no %q", kind)
}

func ones(bits []bool) string {
	var s []string
	for _, on := range bits {
		if on {
			s = append(s, "1")
		} else {
			s = append(s, "0")
		}
	}
	return strings.Join(s, " ")
}
