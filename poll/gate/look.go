package gate

import (
	"context"
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// read reads a point now, for a target.
func (w *work) read(ctx context.Context, t *target, p *regmap.Point) decode.Reading {
	s := t.want.Station
	if p.Derived() {
		return w.readDerived(ctx, t, p)
	}
	opts := []link.Option{link.With(s.Timing), link.Urgent()}
	if p.OnRead {
		opts = append(opts, link.Once())
	}
	span := p.Needs()
	x, err := w.Link.Ask(ctx, s.Unit, frame.Read(span.Table, span.First, span.Count), opts...)
	if err != nil {
		return decode.Reading{Time: w.Clock(), Unit: s.Unit, Point: p, Value: regmap.BadValue(regmap.Internal), Reason: err.Error(), Station: s.Name}
	}
	r := decode.Read(x, p)
	r.Station = s.Name
	t.saw(x)
	return r
}

// readDerived reads the inputs of a point that is worked out of others.
func (w *work) readDerived(ctx context.Context, t *target, p *regmap.Point) decode.Reading {
	var last decode.Reading
	v := p.Combine(func(input *regmap.Point) regmap.Value {
		last = w.read(ctx, t, input)
		return last.Value
	})
	last.Point, last.Value, last.Raw, last.Reason = p, v, nil, v.Cause().Words()
	return last
}

// saw notes an exchange that the target's picture rests on.
func (t *target) saw(x *decode.Exchange) {
	t.oldest = min(t.oldest, x.Done.Steady)
	t.read = append(t.read, x.ID)
}

// device: what proves the device is read now and is equal.
func (w *work) device(ctx context.Context, t *target) *refusal {
	s := t.want.Station
	if s.Identity.IsZero() {
		t.unproven = fmt.Sprintf("nothing proves that unit %d is %s: %s gives no identity for it", s.Unit, s.Name, w.Line.File)
		return nil
	}
	found, proves, cause, words := w.identify(ctx, t)
	if words == "" && !proves {
		words = fmt.Sprintf("%s shows %s, and %s says %s: another device answers as unit %d, or the file is for another", identityName(s.Identity), found, w.Line.File, s.Identity.Value, s.Unit)
	}
	if words != "" {
		if cause == regmap.NoCause {
			w.changed[s.Unit] = true
		}
		return &refusal{step: Device, words: words, cause: cause}
	}
	t.identity = fmt.Sprintf("%s is %s", identityName(s.Identity), found)
	if w.changed[s.Unit] {
		t.unproven = fmt.Sprintf("unit %d showed another identity before: make sure that it is %s", s.Unit, s.Name)
	}
	return nil
}

func identityName(i line.Identity) string {
	if i.Point != "" {
		return i.Point
	}
	return fmt.Sprintf("device identification object %d", i.Object)
}

// identify reads the station's identity: what was found, whether it proves the
// device, or words why it could not be read.
func (w *work) identify(ctx context.Context, t *target) (found string, proves bool, cause regmap.Cause, words string) {
	i := t.want.Station.Identity
	if i.Point == "" {
		return w.identifyObject(ctx, t)
	}
	p := t.want.Station.Map.Point(i.Point)
	if p == nil {
		return "", false, regmap.NoCause, fmt.Sprintf("the map has no point %s, which is to prove the device", i.Point)
	}
	r := w.read(ctx, t, p)
	if r.Value.Quality() != regmap.Good {
		return "", false, r.Value.Cause(), fmt.Sprintf("the device could not be proven: %s could not be read: %s", p.Name, r.Reason)
	}
	if same, words := shows(fixed(p, r), i.Value, r.Value); words != "" {
		return "", false, regmap.NoCause, fmt.Sprintf("the identity %s of %s: %s", i.Value, p.Name, words)
	} else {
		return p.Shown(r.Value), same, regmap.NoCause, ""
	}
}

// identifyObject reads an object of the device identification: alone, and where
// the station cannot do that, as the first of a stream.
// Source: V1.1b3, 6.21 (access codes 1 to 4; object ranges).
func (w *work) identifyObject(ctx context.Context, t *target) (found string, proves bool, cause regmap.Cause, words string) {
	s := t.want.Station
	object := uint8(s.Identity.Object)
	stream := frame.DeviceIDExtended
	switch {
	case object <= 0x02:
		stream = frame.DeviceIDBasic
	case object < 0x80:
		stream = frame.DeviceIDRegular
	}
	for _, code := range []uint8{frame.DeviceIDObject, stream} {
		x, err := w.Link.Ask(ctx, s.Unit, frame.ReadDeviceID(code, object), link.With(s.Timing), link.Urgent())
		if err != nil {
			return "", false, regmap.Internal, err.Error()
		}
		t.saw(x)
		cause, words = x.Cause, fmt.Sprintf("the device could not be proven: %s could not be read: %s", identityName(s.Identity), decode.Why(x))
		if x.Answered() {
			for id, value := range x.Response.Objects() {
				if id == object {
					return fmt.Sprintf("%q", value), string(value) == s.Identity.Value, regmap.NoCause, ""
				}
			}
			cause, words = regmap.Mismatch, fmt.Sprintf("the device could not be proven: it gave no %s", identityName(s.Identity))
		}
		if cause != regmap.Excepted && cause != regmap.Mismatch {
			break
		}
	}
	return "", false, cause, words
}

// moment: the interlocks are good and true, and what stands there is known.
func (w *work) moment(ctx context.Context, t *target) *refusal {
	s, p := t.want.Station, t.want.Point
	no := func(cause regmap.Cause, format string, args ...any) *refusal {
		return &refusal{step: Moment, words: fmt.Sprintf(format, args...), cause: cause}
	}
	for _, c := range p.Write.OnlyWhen {
		interlock := s.Map.Point(c.Point)
		if interlock == nil {
			return no(regmap.NoCause, "the map has no point %s, which %s is interlocked with", c.Point, p.Name)
		}
		r := w.read(ctx, t, interlock)
		if r.Value.Quality() != regmap.Good {
			return no(r.Value.Cause(), "%s may be written only when %s is %s, and that is %s: %s", p.Name, c.Point, c.Value, r.Value.Quality(), r.Reason)
		}
		same, words := shows(fixed(interlock, r), c.Value, r.Value)
		switch {
		case words != "":
			return no(regmap.NoCause, "the interlock %s: %s of %s: %s", c.Point, c.Value, p.Name, words)
		case !same:
			return no(regmap.NoCause, "%s may be written only when %s is %s; it is %s", p.Name, c.Point, c.Value, interlock.Shown(r.Value))
		}
	}
	t.from = w.read(ctx, t, p)
	t.point = fixed(p, t.from)
	v := t.from.Value
	switch {
	case v.Quality() == regmap.Uncertain:
		return no(v.Cause(), "what %s holds now is uncertain: %s", p.Name, t.from.Reason)
	case v.Quality() == regmap.Bad && v.Cause() != regmap.Absent: // a set-point that was never set is no reason
		return no(v.Cause(), "what %s holds now could not be read: %s", p.Name, t.from.Reason)
	case w.inDoubt(t.read...):
		return no(regmap.LateDoubt, "what was read for %s is uncertain: %s", p.Name, regmap.LateDoubt.Words())
	}
	return nil
}

// fixed is the point with the power of ten that was read with it.
func fixed(p *regmap.Point, r decode.Reading) *regmap.Point {
	if r.From == nil || p.Derived() {
		return p
	}
	if f, cause := p.Fixed(r.From); cause == regmap.NoCause {
		return f
	}
	return p
}

// age is how old the oldest of what was read is.
func (t *target) age(now decode.Stamp) (words string, tooOld bool) {
	age := now.Steady - t.oldest
	return fmt.Sprintf("what was read for it is %s old, at most %s", decode.Seconds(age), decode.Seconds(MaxAge)), age > MaxAge
}
