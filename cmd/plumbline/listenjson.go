package main

import (
	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/segment"
)

// A frameQueue holds frames until the exchange that they are part of has its
// number, and gives them on in the order in which they came.
type frameQueue struct {
	stream *capture.Stream
	give   func(capture.Item)
	items  []capture.Item
	asked  *segment.Piece // the latest request
}

// mostWaiting is the most frames that wait; noise without end would make them
// many. Ours.
const mostWaiting = 64

func (q *frameQueue) piece(p segment.Piece) {
	item := capture.Item{Stream: q.stream, Piece: &p}
	if p.Answers != 0 && q.asked != nil && q.asked.Number == p.Answers {
		item.Asked = q.asked
	}
	if p.Kind == segment.Frame && p.Request.Function != 0 && p.Answers == 0 {
		q.asked = &p
	}
	q.items = append(q.items, item)
}

// exchange notes the number of the frames of an exchange.
func (q *frameQueue) exchange(h segment.Heard) {
	for i := range q.items {
		item := &q.items[i]
		for _, of := range []*segment.Piece{h.Asked, h.Answer} {
			if of != nil && item.Piece.Offset == of.Offset && item.Exchange == (decode.ID{}) {
				item.Exchange, item.Piece.Certainty = h.ID, of.Certainty
			}
		}
	}
}

// settled gives on what waits for nothing.
func (q *frameQueue) settled(waiting bool) {
	if waiting && len(q.items) < mostWaiting {
		return
	}
	for _, i := range q.items {
		q.give(i)
	}
	clear(q.items)
	q.items = q.items[:0]
}
