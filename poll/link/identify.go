package link

import (
	"context"
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Bounds of an identification (abuse table B10); ours. There are 256 objects.
const (
	maxObjects         = 256
	maxIdentifications = 64
)

// An Object is one object of a station's device identification. Value is text
// from outside.
type Object struct {
	ID    uint8
	Value []byte
}

// An Identification is what a station says of itself, as far as it came whole.
type Identification struct {
	Conformity uint8 // as in frame.Response; 0 when nothing came
	Objects    []Object
	Exchanges  []*decode.Exchange
	Cause      regmap.Cause // NoCause when all came; else why the rest is missing
	Broken     string       // which rule of the stream the station broke; "" for none
}

// Identify reads the device identification of a station with one of the stream
// access codes, in as many exchanges as it takes. It stops where the station
// breaks a rule and keeps what was whole. The errors are those of Ask.
// Source: V1.1b3, 6.21.
func (l *Link) Identify(ctx context.Context, unit regmap.Unit, code uint8, opts ...Option) (Identification, error) {
	id := Identification{Cause: regmap.NoCause}
	next := uint8(0)
	for len(id.Exchanges) < maxIdentifications {
		x, err := l.Ask(ctx, unit, frame.ReadDeviceID(code, next), opts...)
		if err != nil {
			return Identification{}, err
		}
		id.Exchanges = append(id.Exchanges, x)
		if !x.Answered() {
			id.Cause = x.Cause
			if x.Cause == regmap.Mismatch {
				id.Broken = x.Detail
			}
			return id, nil
		}
		if !id.take(x.Response, next) || !x.Response.More {
			return id, nil
		}
		next = x.Response.Next
	}
	id.breaks("more objects follow after %d answers", maxIdentifications)
	return id, nil
}

// take adds the objects of one answer; false when the stream cannot go on.
func (id *Identification) take(a frame.Response, asked uint8) bool {
	id.Conformity = a.Conformity
	last := -1
	if n := len(id.Objects); n > 0 {
		last = int(id.Objects[n-1].ID)
	}
	for object, value := range a.Objects() {
		if int(object) <= last {
			return id.breaks("object %d follows object %d", object, last)
		}
		last = int(object)
		id.Objects = append(id.Objects, Object{object, value})
	}
	switch {
	case a.More && int(a.Next) <= last:
		return id.breaks("after object %d the next is said to be %d", last, a.Next)
	case a.More && a.Count == 0:
		return id.breaks("no object came when object %d was asked, and more are said to follow", asked)
	}
	return true
}

func (id *Identification) breaks(format string, args ...any) bool {
	id.Cause, id.Broken = regmap.Mismatch, fmt.Sprintf(format, args...)
	return false
}
