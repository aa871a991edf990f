package main

import (
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A hexPairer turns frames of hex text into exchanges, in the order of their
// lines: an answer belongs to the request before it that it fits, and a frame
// that reads both ways is an answer where it fits one.
type hexPairer struct {
	source decode.Source
	number uint64
	open   []*decode.Exchange
}

// mostOpenRequests is how many requests wait for their answers; a client may
// have 16 open (TCP guide V1.0b, 4.4.1.2), a serial line has one.
const mostOpenRequests = 16

// take gives the exchanges that a frame ends.
func (p *hexPairer) take(m *decode.Message) (out []segment.Heard) {
	if m.Err != nil {
		return nil
	}
	if p.source == 0 {
		p.source = decode.NewSource()
	}
	if m.Direction != frame.Asking {
		if x := p.answered(m); x != nil {
			return []segment.Heard{{Exchange: x, Outcome: segment.Answered}}
		}
	}
	if m.Direction == frame.Answering {
		x := p.exchange(m)
		x.Cause, x.Response, x.Received = regmap.Mismatch, m.Response, m.Bytes
		return []segment.Heard{{Exchange: x, Outcome: segment.Unasked}}
	}
	if m.Framing == line.MBAP {
		out = p.end(func(x *decode.Exchange) bool {
			return len(p.open) >= mostOpenRequests && x == p.open[0] || transaction(x.Sent) == m.ADU.Transaction
		})
	} else {
		out = p.flush()
	}
	x := p.exchange(m)
	x.Request, x.Sent, x.Tries = m.Request, m.Bytes, 1
	p.open = append(p.open, x)
	return out
}

func (p *hexPairer) exchange(m *decode.Message) *decode.Exchange {
	p.number++
	return &decode.Exchange{ID: decode.ID{Source: p.source, Number: p.number}, Framing: m.Framing, Unit: m.ADU.Unit}
}

// answered is the exchange that a frame answers; nil for none.
func (p *hexPairer) answered(m *decode.Message) *decode.Exchange {
	for i, x := range p.open {
		if x.Framing != m.Framing || x.Unit != m.ADU.Unit || m.Framing == line.MBAP && transaction(x.Sent) != m.ADU.Transaction {
			continue
		}
		response, err := frame.Match(x.Request, m.PDU())
		if err != nil {
			continue
		}
		p.open = slices.Delete(p.open, i, i+1)
		x.Cause, x.Response, x.Received = regmap.NoCause, response, m.Bytes
		if response.Exception != 0 {
			x.Cause = regmap.Excepted
		}
		return x
	}
	return nil
}

func transaction(mbap []byte) uint16 { return uint16(mbap[0])<<8 | uint16(mbap[1]) }

// flush ends all requests that wait.
func (p *hexPairer) flush() []segment.Heard {
	return p.end(func(*decode.Exchange) bool { return true })
}

func (p *hexPairer) end(which func(*decode.Exchange) bool) (out []segment.Heard) {
	var kept []*decode.Exchange
	for _, x := range p.open {
		if !which(x) {
			kept = append(kept, x)
			continue
		}
		x.Cause = regmap.Silent
		out = append(out, segment.Heard{Exchange: x, Outcome: segment.Unanswered})
	}
	p.open = kept
	return out
}

// unitsSeen notes which units answer or are asked. It is a hearer.
type unitsSeen struct{ seen [256]bool }

func (u *unitsSeen) wants() capture.Settings { return capture.Settings{ExchangesOnly: true} }

func (u *unitsSeen) message(m *decode.Message, _ int64) error {
	if m.Err == nil {
		u.seen[m.ADU.Unit] = true
	}
	return nil
}

func (u *unitsSeen) item(i capture.Item) error {
	if i.Heard != nil {
		u.seen[i.Heard.Unit] = true
	}
	return nil
}

func (u *unitsSeen) ends(string, *capture.Summary, error) error { return nil }

// latest is the later of two times.
func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
