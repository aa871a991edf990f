package link

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The errors of Ask and Change, for errors.Is; beside them come the errors of
// frame.Request.Append, ErrTiming, ErrClosed and those of a refused permit.
// What happens on the line is never an error.
var (
	ErrChanges   = errors.New("the request changes the station; only a permitted change may send it")
	ErrNoChange  = errors.New("the request changes nothing; ask it without a permit")
	ErrBroadcast = errors.New("unit 0 is a broadcast on a serial line, which no station answers")
	ErrBeyond    = errors.New("the request reaches beyond address 65535")
)

// A Link carries requests to the stations of one line. Its methods may be
// called by many goroutines at once: up to the link's slots are carried
// together, the others wait their turn.
type Link struct {
	config Config
	conn   *connection
	wire   wire
	queue  queue
	number atomic.Uint64
	count  counters
	notes  *notes
	life   *lifetime
}

// A wire makes the tries of a call on the stream, one after another.
type wire interface {
	receiver
	try(ctx context.Context, c *call, adu []byte) outcome
	finish(c *call) // after the last try
}

// New makes a link. It opens nothing; the first exchange does, or Open. The
// error wraps ErrConfig. A link that is no longer needed must be closed.
func New(config Config) (*Link, error) {
	if err := config.complete(); err != nil {
		return nil, err
	}
	l := &Link{config: config}
	l.queue = queue{framing: config.Framing, clock: config.Clock, room: newRoom(config.Slots)}
	l.life = newLifetime()
	l.notes = newNotes(&l.config)
	l.conn = &connection{
		dial: config.Dial, limit: config.DialLimit, redial: config.Redial,
		clock: config.Clock, count: &l.count, state: l.notes.state, life: l.life, mbap: config.Framing == line.MBAP,
	}
	if config.Framing == line.MBAP {
		l.queue.idle.Store(true)
		l.wire = newTransactions(l)
	} else {
		l.wire = newTurns(l)
	}
	l.conn.receiver = l.wire
	return l, nil
}

// Open opens the stream now, if it is not open. The error is the dialer's, or
// that of ctx.
func (l *Link) Open(ctx context.Context) error {
	_, err := l.conn.get(ctx)
	return err
}

// Close closes the stream. Exchanges that are open end as interrupted, later
// ones are refused with ErrClosed.
func (l *Link) Close() error {
	l.life.end()
	l.conn.shut()
	return nil
}

// Statistics is what was counted up to now.
func (l *Link) Statistics() Statistics {
	s := l.count.read()
	s.Slots, s.Lowered = l.queue.size()
	return s
}

// Ask makes one exchange that changes nothing. A read that fails is repeated
// as the timing says; a station that stays silent, refuses or answers wrongly
// is an outcome, in the exchange's Cause, not an error. When ctx ends first the
// Cause is Interrupted. The error is ErrChanges, ErrBroadcast, ErrBeyond,
// ErrTiming, ErrClosed, or that of a request the standard does not allow; the
// exchange is nil then.
func (l *Link) Ask(ctx context.Context, unit regmap.Unit, request frame.Request, opts ...Option) (*decode.Exchange, error) {
	c, err := l.asking(unit, request, l.options(opts))
	if err != nil {
		return nil, err
	}
	x, err := l.patiently(ctx, c)
	l.over(c)
	return x, err
}

// asking checks a request that changes nothing and makes its call.
func (l *Link) asking(unit regmap.Unit, request frame.Request, o options) (*call, error) {
	if request.Changes() {
		return nil, fmt.Errorf("%w: %s to unit %d", ErrChanges, request.Function, unit)
	}
	c, err := l.call(unit, request, o)
	if err != nil {
		return nil, err
	}
	if c.broadcast(l.config.Framing) {
		return nil, ErrBroadcast
	}
	c.repeat = !o.once
	return c, nil
}

// over lets a call's memory be used again.
func (l *Link) over(c *call) {
	if l.config.Framing == line.MBAP {
		l.queue.done(c)
	}
}

// Change sends one request that changes a station, once: it is never repeated,
// and what became of it is known only when the station confirmed it (Cause
// NoCause) or refused it (Excepted). With any other Cause it may have been done
// if Sent is not nil. A broadcast on a serial line is never confirmed: its
// Cause is Silent. The permit is used up even when the request does not leave.
//
// Where the answer repeats the request (05, 06 ...) and it is not known yet
// whether the line's adapter echoes, a read of the same item goes first, because
// the echo would pass for the answer. The errors are those of Ask, ErrNoChange, and those of the permit.
func (l *Link) Change(ctx context.Context, unit regmap.Unit, request frame.Request, p permit.Permit, opts ...Option) (*decode.Exchange, error) {
	if !request.Changes() {
		return nil, fmt.Errorf("%w: %s to unit %d", ErrNoChange, request.Function, unit)
	}
	c, err := l.call(unit, request, l.options(opts))
	if err != nil {
		return nil, err
	}
	if err := p.Use(unit, c.pdu); err != nil {
		return nil, err
	}
	return l.once(ctx, c)
}

func (l *Link) options(opts []Option) options {
	o := options{timing: l.config.Timing, level: ordinary}
	if len(opts) == 0 {
		return o
	}
	return o.with(opts)
}

// with is o with what the options change.
func (o options) with(opts []Option) options {
	for _, set := range opts {
		set(&o)
	}
	return o
}

// call checks a request and makes its call.
func (l *Link) call(unit regmap.Unit, request frame.Request, o options) (*call, error) {
	if err := checkTiming(o.timing); err != nil {
		return nil, err
	}
	if l.life.Err() != nil {
		return nil, ErrClosed
	}
	c := l.queue.call()
	*c = call{unit: unit, request: request, timing: o.timing, level: o.level, asked: o.asked}
	if o.asked.IsZero() {
		c.asked = l.config.Clock()
	}
	var err error
	if c.pdu, err = request.Append(c.short[:0]); err != nil {
		return nil, err
	}
	if err := within(request); err != nil {
		return nil, err
	}
	if l.config.Serial.Baud > 0 {
		n, _ := frame.AnswerLength(request)
		c.answerTime = time.Duration(frame.ADULength(l.config.Framing, n)) * frame.CharTime(l.config.Serial, l.config.Framing)
	}
	return c, nil
}

// within says whether what a request names lies inside its table.
// Source: V1.1b3, 4.4 (addresses 0 to 65535).
func within(q frame.Request) error {
	read, _ := q.Reads()
	written, _ := q.Writes()
	for _, s := range []regmap.Span{read, written} {
		if s.End() > regmap.TableSize {
			return fmt.Errorf("%w: %d items from address %d on", ErrBeyond, s.Count, s.First)
		}
	}
	return nil
}

// patiently repeats a read that the station put off, after growing pauses in
// which other calls go on.
func (l *Link) patiently(ctx context.Context, c *call) (*decode.Exchange, error) {
	for refusals := 1; ; refusals++ {
		x, err := l.once(ctx, c)
		if err != nil || !putOff(x) || !c.repeat || refusals > c.timing.Retries {
			return x, err
		}
		if !sleep(ctx, l.config.Redial.pause(refusals), l.life.Done()) {
			return x, nil
		}
	}
}

// putOff says whether the station has the request in hand or no time for it.
// Source: V1.1b3, 7 (codes 05 and 06).
func putOff(x *decode.Exchange) bool {
	return x.Cause == regmap.Excepted && isBusy(x.Response.Exception)
}

func isBusy(e frame.Exception) bool {
	return e == frame.Acknowledge || e == frame.ServerDeviceBusy
}

// once takes a slot and makes the exchange in it. A read that was crowded out
// is asked again when there is room for it.
func (l *Link) once(ctx context.Context, c *call) (*decode.Exchange, error) {
	for {
		s := l.queue.take(ctx, l.life.Done(), c.level, c.crowdings > 0)
		if s == nil {
			break
		}
		if s.free > 0 && !sleep(ctx, s.free-l.config.Clock().Steady, l.life.Done()) {
			l.queue.give(s)
			break
		}
		if c.number == 0 || c.crowdings == 0 {
			c.number = l.number.Add(1)
		}
		o := l.carry(ctx, s, c)
		if l.config.Framing == line.MBAP && c.timing.Pause > 0 {
			s.free = l.config.Clock().Steady + c.timing.Pause
		}
		l.queue.give(s)
		if o.crowded && c.repeat && c.crowdings < maxCrowded {
			c.crowdings++
			l.count.crowded.Add(1)
			continue
		}
		return l.finished(c, &o), nil
	}
	if l.life.Err() != nil {
		return nil, ErrClosed
	}
	c.number = l.number.Add(1)
	o := unsent(regmap.Interrupted, "stopped before the line was free", l.config.Clock())
	return l.finished(c, &o), nil
}

func (l *Link) finished(c *call, o *outcome) *decode.Exchange {
	switch o.cause {
	case regmap.NoCause:
		l.count.answered.Add(1)
	case regmap.Excepted:
		l.count.exceptions.Add(1)
	default:
		l.count.failed.Add(1)
	}
	return c.exchange(l.config.Source, l.config.Framing, o)
}

// tries sends a frame until it is answered or the tries are used up. The
// outcome is that of the last try that left.
func (l *Link) tries(ctx context.Context, c *call, adu []byte) outcome {
	defer l.wire.finish(c)
	last, try := c.before, c.tried
	c.before, c.tried = outcome{}, 0
	for ; ; try++ {
		o := l.wire.try(ctx, c, adu)
		if o.posted {
			l.count.sent.Add(1)
			if c.tries++; c.tries > 1 {
				l.count.repeated.Add(1)
			}
		}
		if o.sent != nil || last.sent == nil {
			last = o
		}
		if !c.repeat || try >= c.timing.Retries || !o.again() || o.crowded && c.crowdings < maxCrowded {
			return last
		}
	}
}

// absent is the outcome of a call for which the stream could not be opened.
func (l *Link) absent(ctx context.Context, err error) outcome {
	now := l.config.Clock()
	switch {
	case ctx.Err() != nil:
		return unsent(regmap.Interrupted, "stopped before the line was open", now)
	case errors.Is(err, ErrClosed):
		return unsent(regmap.Interrupted, ErrClosed.Error(), now)
	}
	return unsent(regmap.NoLine, err.Error(), now)
}

func exceptionWords(e frame.Exception) string {
	return fmt.Sprintf("%s, exception %d (0x%02X)", e.Name(), uint8(e), uint8(e))
}
