package seek

import (
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// End says how a search ended. The zero End is not valid.
type End uint8

// The ends.
const (
	Finished    End = iota + 1 // all was asked that was to be asked
	OtherClient                // another client was heard, and nothing more was sent
	Unexplained                // bytes came that nobody understands, and nothing was sent
	FellSilent                 // a unit that had answered did not any more
	LineLost                   // the port or connection was lost and does not open again
	Interrupted                // the caller stopped it
)

// String is a kebab word for files.
func (e End) String() string {
	if e < Finished || e > Interrupted {
		return "none"
	}
	return [...]string{"finished", "other-client", "unexplained-bytes", "fell-silent", "line-lost", "interrupted"}[e-Finished]
}

// A Report is what a search found.
type Report struct {
	End      End
	Found    *Settings // nil: none
	Units    []*Unit   // that answer, in the order found
	Garbled  []Garbled // units whose answers never came whole while others' did
	Whole    bool      // every unit that may be asked was asked at Found
	Ignores  bool      // the device answers to every number; no more were asked
	Fallen   regmap.Unit
	Heard    []Heard // the first before any request
	Shared   bool    // another client was heard, and the search went on because it was told to
	Tried    []*Attempt
	Signs    []decode.Finding // what was seen and what it hints at, the surest first
	Requests int
	Elapsed  time.Duration
}

// A Unit is one that answered three requests of different shape.
type Unit struct {
	Number     regmap.Unit
	Matched    []*decode.Exchange // the three, the first one first
	Refuses    bool               // all three were exceptions
	Identified []link.Object      // of its device identification; text from outside
	Server     []byte             // its answer to Report Server ID; text from outside
	Slowest    time.Duration      // of its answers, from the request's last bit to the first byte
	Tables     []TableScan        // when addresses were looked for

	good frame.Request // one that it answered
}

// First is the first good request and answer to show: an answer with contents,
// or where there is none the first exception.
func (u *Unit) First() *decode.Exchange {
	for _, x := range u.Matched {
		if x.Answered() {
			return x
		}
	}
	return u.Matched[0]
}

// Garbled is a unit of which something came, never whole.
type Garbled struct {
	Unit     regmap.Unit
	Exchange *decode.Exchange // one of them
}

// An Attempt is what came of the requests at one setting.
type Attempt struct {
	Settings Settings
	Closed   string // why it could not be opened; "" when it was
	Asked    int
	Seen     [classes]int       // requests by how they ended
	Example  *decode.Exchange   // the first one that was not silent
	Damaged  int                // characters with a parity or framing error
	Bytes    int                // that came
	Once     []*decode.Exchange // answers that fitted, where nothing else did

	asked   []regmap.Unit
	garbled []Garbled
}

// Class says how one request ended, as a search looks at it.
type Class uint8

// The classes.
const (
	Silence     Class = iota
	Answer            // as asked
	Refusal           // an exception of the unit
	NoPath            // an exception of a gateway: nobody behind it answers to this number
	Garbage           // bytes that make no frame
	Echo              // our own request came back, and nothing else
	OtherUnit         // a good frame of another unit
	Otherwise         // a good frame of the unit that is no answer to this
	NeverSilent       // the line was never silent
	Hangup            // the connection was closed, or could not be opened again
	Late              // an answer to an earlier request

	classes = int(Late) + 1
)

// String is what was seen, in a few words.
func (c Class) String() string {
	return [...]string{"silence", "answer", "exception", "gateway without a path", "garbage", "echo", "answer of another unit",
		"answer to something else", "line never silent", "connection closed", "late answer"}[c]
}

// classify looks at an exchange. echoed says that a copy of the request was
// taken off. Source of the gateway's codes: V1.1b3, 7.
func classify(x *decode.Exchange, echoed bool) Class {
	switch x.Cause {
	case regmap.NoCause:
		return Answer
	case regmap.Excepted:
		if e := x.Response.Exception; e == frame.GatewayPathUnavailable || e == frame.GatewayTargetDeviceFailedToRespond {
			return NoPath
		}
		return Refusal
	case regmap.Checksum, regmap.CutOff:
		return Garbage
	case regmap.Mismatch:
		return Otherwise
	case regmap.NeverQuiet:
		return NeverSilent
	case regmap.PortGone, regmap.NoLine:
		return Hangup
	case regmap.LateDoubt:
		return Late
	}
	switch {
	case len(x.Received) > 0:
		return OtherUnit
	case echoed:
		return Echo
	}
	return Silence
}

// fits says whether the asked unit itself answered, as asked or with an
// exception.
func (c Class) fits() bool { return c == Answer || c == Refusal }

// lost says whether nothing came of the unit.
func (c Class) lost() bool { return c == Silence || c == Echo || c == Hangup }

func (a *Attempt) note(x *decode.Exchange, c Class) {
	a.Asked++
	a.Seen[c]++
	a.Bytes += len(x.Received)
	if a.Example == nil && c != Silence {
		a.Example = x
	}
}
