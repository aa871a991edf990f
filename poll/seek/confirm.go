package seek

import (
	"context"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// matches is how many exchanges of different shape make a unit found: garbage
// that fits once is nothing.
const matches = 3

// shapes are what a unit is asked after the probe. Each answer differs from the
// probe's in function or length, so that no bytes that repeat fit all of them.
var shapes = []frame.Request{
	frame.Read(regmap.HoldingRegister, 0, 2),
	frame.Read(regmap.InputRegister, 0, 1),
	frame.Read(regmap.Coil, 0, 1),
	frame.Read(regmap.DiscreteInput, 0, 1),
}

// A shape is what two answers must not have in common.
type shape struct {
	function frame.Function
	refused  bool
	length   int
}

func shapeOf(x *decode.Exchange) shape {
	return shape{x.Response.Function, x.Response.Exception != 0, len(x.Received)}
}

// confirm asks a unit whose first answer fitted until three of different shape
// did.
func (s *seeker) confirm(ctx context.Context, u regmap.Unit, first reply) (bool, error) {
	if s.known[u] != nil {
		return true, nil
	}
	unit := &Unit{Number: u, Matched: []*decode.Exchange{first.Exchange}, good: first.Request}
	unit.Slowest = first.First.Sub(first.Left)
	s.known[u] = unit
	have := map[shape]bool{shapeOf(first.Exchange): true}
	for _, q := range shapes {
		r, err := s.ask(ctx, u, q)
		if err != nil {
			return false, s.unproved(unit, err)
		}
		if !r.fits() || have[shapeOf(r.Exchange)] {
			continue
		}
		have[shapeOf(r.Exchange)] = true
		unit.Matched = append(unit.Matched, r.Exchange)
		if len(unit.Matched) == matches {
			s.report.Units = append(s.report.Units, unit)
			unit.Refuses = !unit.First().Answered()
			return true, nil
		}
	}
	return false, s.unproved(unit, nil)
}

// unproved notes what fitted too seldom.
func (s *seeker) unproved(u *Unit, err error) error {
	delete(s.known, u.Number)
	s.attempt.Once = append(s.attempt.Once, u.Matched...)
	return err
}

// Bounds of a card; ours.
const (
	mostObjectAsks = 3
	mostObjects    = 32
)

// card asks a unit what it is.
func (s *seeker) card(ctx context.Context, u *Unit) error {
	s.words = "what it is"
	object := uint8(0)
	for range mostObjectAsks {
		r, err := s.ask(ctx, u.Number, frame.ReadDeviceID(frame.DeviceIDBasic, object))
		if err != nil {
			return err
		}
		if r.Class != Answer {
			break
		}
		for id, value := range r.Response.Objects() {
			if len(u.Identified) < mostObjects {
				u.Identified = append(u.Identified, link.Object{ID: id, Value: value})
			}
		}
		if !r.Response.More || r.Response.Next <= object {
			break
		}
		object = r.Response.Next
	}
	r, err := s.ask(ctx, u.Number, frame.Request{Function: frame.ReportServerID})
	if err != nil {
		return err
	}
	if r.Class == Answer {
		u.Server = r.Response.Data
	}
	return nil
}
