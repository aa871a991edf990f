package interop

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goburrow/modbus"
)

// No library here has a server that speaks ASCII. One is made of foreign parts:
// a library's packager takes the frames apart and makes them, and another
// library's server answers.

// asciiPackager is the packager for the unit of every station here.
func asciiPackager() modbus.Packager {
	h := modbus.NewASCIIClientHandler("")
	h.SlaveId = unitNumber
	return h
}

// asciiGateway answers ASCII frames from the server at address, until the line
// ends. A frame that the packager refuses gets no answer and is told.
func asciiGateway(line io.ReadWriter, address string) error {
	server, err := net.Dial("tcp", address)
	if err != nil {
		return err
	}
	defer server.Close()
	inside := modbus.NewTCPClientHandler("")
	inside.SlaveId = unitNumber
	frames := bufio.NewReader(line)
	for {
		text, err := frames.ReadBytes('\n')
		if err != nil {
			return nil
		}
		request, err := decodeASCII(text)
		if err != nil {
			return err
		}
		answer, err := answered(server, inside, request)
		if err != nil {
			return err
		}
		adu, err := asciiPackager().Encode(answer)
		if err != nil {
			return err
		}
		if _, err := line.Write(adu); err != nil {
			return nil
		}
	}
}

// decodeASCII takes a request apart. The packager judges frame and LRC; the
// frame that it makes of the same PDU must be the same, so that nothing in it,
// unit and letters included, goes by unseen.
func decodeASCII(text []byte) (*modbus.ProtocolDataUnit, error) {
	if err := asciiPackager().Verify(text, text); err != nil {
		return nil, fmt.Errorf("%q: %w", text, err)
	}
	request, err := asciiPackager().Decode(text)
	if err != nil {
		return nil, fmt.Errorf("%q: %w", text, err)
	}
	same, err := asciiPackager().Encode(request)
	if err == nil && string(same) != string(text) {
		err = fmt.Errorf("the packager makes %q of the same request, there came %q", same, text)
	}
	return request, err
}

// answered asks the server over TCP.
func answered(server net.Conn, inside modbus.Packager, request *modbus.ProtocolDataUnit) (*modbus.ProtocolDataUnit, error) {
	adu, err := inside.Encode(request)
	if err != nil {
		return nil, err
	}
	if _, err := server.Write(adu); err != nil {
		return nil, err
	}
	answer, err := readMBAP(server)
	if err != nil {
		return nil, err
	}
	if err := inside.Verify(adu, answer); err != nil {
		return nil, err
	}
	return inside.Decode(answer)
}

// serveASCII serves what the server at address holds on a serial line, whose
// path it gives.
func serveASCII(t *testing.T, address string) (path string) {
	t.Helper()
	near, path := openTerminal(t)
	go tellGateway(t, near, address)
	return path
}

// serveASCIIInTCP does so inside TCP.
func serveASCIIInTCP(t *testing.T, address string) (at string) {
	t.Helper()
	l, at := listen(t)
	go each(l, func(c net.Conn) {
		defer c.Close()
		tellGateway(t, c, address)
	})
	return at
}

func tellGateway(t *testing.T, line io.ReadWriter, address string) {
	if err := asciiGateway(line, address); err != nil && t.Context().Err() == nil {
		t.Error(err)
	}
}

// A packagerClient is the library's client over a transport that only sends and
// reads, which the library lets others bring.
type packagerClient struct{ client modbus.Client }

// A textLine is a transport for ASCII: a frame ends with a line feed.
// Source: Modbus over Serial Line V1.02, 2.5.2.1.
type textLine struct {
	out io.Writer
	in  *bufio.Reader
}

func (l textLine) Send(request []byte) ([]byte, error) {
	if _, err := l.out.Write(request); err != nil {
		return nil, err
	}
	return l.in.ReadBytes('\n')
}

func dialPackager(t *testing.T, address string) packagerClient {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	c.SetDeadline(time.Now().Add(childLimit))
	t.Cleanup(func() { c.Close() })
	return packagerClient{modbus.NewClient2(asciiPackager(), textLine{c, bufio.NewReader(c)})}
}

// has says which words of peer.c this client knows.
func (packagerClient) has(kind string) bool {
	return slices.Contains([]string{"1", "2", "3", "4", "5", "6", "15", "16", "22", "23"}, kind)
}

// ask sends a request in the words of peer.c and answers in them too.
func (p packagerClient) ask(request string) string {
	kind, n, err := splitRequest(request)
	if err != nil {
		return err.Error()
	}
	answer, err := p.call(kind, n)
	var refused *modbus.ModbusError
	switch {
	case errors.As(err, &refused):
		return fmt.Sprintf("exception %d", refused.ExceptionCode)
	case err != nil:
		return "error " + err.Error()
	}
	return strings.TrimSpace("ok " + answer)
}

// call makes the library's call for a function code and its numbers.
func (p packagerClient) call(kind string, n []uint16) (string, error) {
	switch kind {
	case "1":
		b, err := p.client.ReadCoils(n[0], n[1])
		return bitsOf(b, n[1]), err
	case "2":
		b, err := p.client.ReadDiscreteInputs(n[0], n[1])
		return bitsOf(b, n[1]), err
	case "3":
		b, err := p.client.ReadHoldingRegisters(n[0], n[1])
		return wordsOf(b), err
	case "4":
		b, err := p.client.ReadInputRegisters(n[0], n[1])
		return wordsOf(b), err
	case "5":
		_, err := p.client.WriteSingleCoil(n[0], map[bool]uint16{true: 0xFF00}[n[1] != 0])
		return "", err
	case "6":
		_, err := p.client.WriteSingleRegister(n[0], n[1])
		return "", err
	case "15":
		_, err := p.client.WriteMultipleCoils(n[0], uint16(len(n)-1), packed(n[1:]))
		return "", err
	case "16":
		_, err := p.client.WriteMultipleRegisters(n[0], uint16(len(n)-1), bytesOf(n[1:]))
		return "", err
	case "22":
		_, err := p.client.MaskWriteRegister(n[0], n[1], n[2])
		return "", err
	case "23":
		b, err := p.client.ReadWriteMultipleRegisters(n[0], n[1], n[2], uint16(len(n)-3), bytesOf(n[3:]))
		return wordsOf(b), err
	}
	return "", fmt.Errorf("this client has no %q", kind)
}

// bitsOf, wordsOf, packed and bytesOf stand where this library leaves bytes to
// its caller. Lowest bit first, high byte first: Modbus Application Protocol
// V1.1b3, 6.1 and 4.2.
func bitsOf(b []byte, count uint16) string {
	var bits []bool
	for i := range int(count) {
		bits = append(bits, i/8 < len(b) && b[i/8]>>(i%8)&1 == 1)
	}
	return ones(bits)
}

func wordsOf(b []byte) string {
	var words []string
	for i := 0; i+1 < len(b); i += 2 {
		words = append(words, strconv.Itoa(int(b[i])<<8|int(b[i+1])))
	}
	return strings.Join(words, " ")
}

func packed(bits []uint16) []byte {
	b := make([]byte, (len(bits)+7)/8)
	for i, on := range bits {
		if on != 0 {
			b[i/8] |= 1 << (i % 8)
		}
	}
	return b
}

func bytesOf(words []uint16) (b []byte) {
	for _, w := range words {
		b = append(b, byte(w>>8), byte(w))
	}
	return b
}
