package simdevice

import (
	"container/list"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// A Stream carries bytes both ways and takes deadlines: a serial port, a
// pseudo-terminal, one end of an in-memory link, a connection. Close must end
// a Read or Write that waits.
type Stream interface {
	io.ReadWriteCloser
	SetReadDeadline(t time.Time) error
	SetWriteDeadline(t time.Time) error
}

// Why a stream is not served further, beside its own errors.
var (
	ErrHalfFrame = errors.New("a frame was not whole in time")
	ErrNotTaken  = errors.New("an answer was not taken in time")
	ErrStrange   = errors.New("too many frames of another protocol in a row")
)

// ServeStream answers what comes on a stream until ctx ends, the other side
// ends it (both give nil) or it fails; then the stream is closed. RTU and
// ASCII are a serial line: only the station's units, and 0 as broadcast, are
// heard. MBAP is one TCP connection.
//
// A frame is whole by its length and check, or by what of it stands between
// two silences, so pauses inside a frame do no harm. A frame with a wrong
// check is counted and not answered.
func (s *Station) ServeStream(ctx context.Context, stream Stream, f line.Framing) error {
	return s.serve(ctx, newConn(s, stream, f, f == line.MBAP))
}

// conn is one stream while it is served. Its buffers are what a connection
// costs beside the goroutine: 520 bytes on MBAP.
type conn struct {
	station *Station
	stream  Stream
	framing line.Framing
	tcp     bool
	place   *list.Element // among the connections of its listener; nil on a stream
	used    func()        // notes that the client asks something; nil on a stream
	cancel  context.CancelCauseFunc

	in  []byte // bytes not used yet; its capacity is the most that is kept
	out []byte // the answer being sent

	turn chan struct{} // holds one element while an answer goes onto the line
	open atomic.Int32
	lane *lane          // fault rules at work here; nil: none so far
	done sync.WaitGroup // deliveries under way
}

// lineBuffer is the input of a serial line: what its codec may keep, and room to
// read on, so that a frame that is too long is seen to be.
const lineBuffer = frame.MaxBuffer + 87

// bufferSizes are the bytes of input, and of an answer, in ASCII with room for
// its PDU. Source: V1.1b3, 4.1; serial guide V1.02, 2.5.2.1.
var bufferSizes = map[line.Framing][2]int{
	line.MBAP:  {frame.MaxMBAP, frame.MaxMBAP},
	line.RTU:   {lineBuffer, frame.MaxRTU},
	line.ASCII: {lineBuffer, frame.MaxASCII + frame.MaxPDU},
}

func newConn(s *Station, stream Stream, f line.Framing, tcp bool) *conn {
	size := bufferSizes[f]
	return &conn{station: s, stream: stream, framing: f, tcp: tcp, turn: make(chan struct{}, 1),
		in: make([]byte, 0, size[0]), out: make([]byte, 0, size[1])}
}

// serve runs one connection from its first byte to its last. A connection
// that ctx or the other side ends has ended well.
func (s *Station) serve(ctx context.Context, c *conn) error {
	mine, cancel := context.WithCancelCause(ctx)
	c.cancel = cancel
	if w := s.wire(c.framing); w != nil && c.framing != line.MBAP {
		c.stream = &paced{Stream: c.stream, wire: w, ctx: mine}
	}
	closed := make(chan struct{})
	stop := context.AfterFunc(mine, func() {
		defer close(closed)
		c.stream.Close()
	})
	var err error
	switch c.framing {
	case line.MBAP:
		err = c.serveMBAP(mine)
	case line.RTU, line.ASCII:
		err = c.serveLine(mine)
	default:
		err = fmt.Errorf("%w: %v; mbap, rtu and ascii are known", frame.ErrFraming, c.framing)
	}
	running := !stop()
	cancel(err)
	if running {
		<-closed
	} else {
		c.stream.Close()
	}
	c.done.Wait()
	err = context.Cause(mine) // the first one: a delivery may have failed before the reader did
	if ctx.Err() != nil || errors.Is(err, io.EOF) {
		return nil
	}
	if broken(err) {
		s.counts.broken.Add(1)
	}
	return err
}

// broken says whether a connection ended for what the client did.
func broken(err error) bool {
	return errors.Is(err, ErrHalfFrame) || errors.Is(err, ErrNotTaken) || errors.Is(err, ErrStrange) || errors.Is(err, frame.ErrLength)
}

// send writes one answer, or a piece of it. The caller has its turn.
func (c *conn) send(b []byte) error {
	if err := c.stream.SetWriteDeadline(time.Now().Add(c.station.options.WriteTime)); err != nil {
		return err
	}
	_, err := c.stream.Write(b)
	if timedOut(err) {
		return fmt.Errorf("%w (%v)", ErrNotTaken, c.station.options.WriteTime)
	}
	return err
}

// takeTurn waits until the line is free for an answer; giveTurn frees it.
func (c *conn) takeTurn(ctx context.Context) error {
	select {
	case c.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (c *conn) giveTurn() { <-c.turn }

// sendWhole brings an answer onto the line as it is.
func (c *conn) sendWhole(ctx context.Context, r *reply) error {
	if err := c.takeTurn(ctx); err != nil {
		return err
	}
	defer c.giveTurn()
	return c.send(r.adu)
}

// deliver brings an answer onto the line, through the hook where there is one.
func (c *conn) deliver(ctx context.Context, r *reply) error {
	if r.routed != nil {
		return c.deliverRouted(ctx, r)
	}
	hook := c.station.hooks.Load().Deliver
	if hook == nil {
		return c.sendWhole(ctx, r)
	}
	held := false
	defer func() {
		if held {
			c.giveTurn()
		}
	}()
	planned := r.adu
	r.adu = nil // what is observed is what left
	return hook(ctx, r.unit, planned, func(b []byte) error {
		if !held {
			if err := c.takeTurn(ctx); err != nil {
				return err
			}
			held = true
		}
		if r.exchange != nil {
			r.adu = append(r.adu, b...)
		}
		return c.send(b)
	})
}

// datagrams says whether each write is a datagram.
func (c *conn) datagrams() bool {
	d, ok := c.stream.(interface{ Datagrams() bool })
	return ok && d.Datagrams()
}

// silence is how long a pause ends a frame.
func (c *conn) silence() time.Duration {
	if c.framing == line.ASCII {
		return max(c.station.options.Silence, asciiSilence)
	}
	return c.station.options.Silence
}

// keep moves what is left of the input to the front of its buffer.
func (c *conn) keep(rest []byte) { c.in = c.in[:copy(c.in[:cap(c.in)], rest)] }

// read waits for bytes and appends them to the input.
func (c *conn) read() (int, error) {
	n, err := c.stream.Read(c.in[len(c.in):cap(c.in)])
	c.in = c.in[:len(c.in)+n]
	return n, err
}

func timedOut(err error) bool {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return true
	}
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
}

// wait pauses, unless ctx ends first.
func wait(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
