package decode

import (
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An Exchange is a request with its answer, its exception or its silence, and
// its times. It is made once, never changed, and shared by pointer. A silent
// unit is an outcome, not a Go error.
type Exchange struct {
	ID      ID
	Framing line.Framing
	Unit    regmap.Unit
	Request frame.Request

	// Cause is NoCause when the station answered as asked, Excepted when it
	// refused, else what went wrong (silent, checksum, mismatch ...).
	Cause    regmap.Cause
	Response frame.Response // the answer; zero unless Cause is NoCause or Excepted
	Detail   string         // what was seen, for people: "3 of 21 bytes came"; may be empty

	Sent     []byte // the whole request ADU; nil when it did not leave
	Received []byte // the whole answer ADU, or what came instead; nil for silence
	Tries    int    // how often the request was sent

	Asked, Left, First, Done Stamp // called for; last byte sent; first byte of the answer; last byte, or end of the wait
}

// Answered says whether the station answered as asked.
func (x *Exchange) Answered() bool { return x.Cause == regmap.NoCause }

// AppendRaw gives the contents that the answer carries: an exchange is
// Contents of the span it read.
func (x *Exchange) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if !x.Answered() {
		return dst, false
	}
	read, ok := x.Request.Reads()
	if !ok || read.Table != s.Table || s.First < read.First || s.End() > read.End() {
		return dst, false
	}
	offset := int(s.First) - int(read.First)
	for i := offset; i < offset+s.Count; i++ {
		dst = append(dst, x.Response.Item(i, s.Table.Bits()))
	}
	return dst, true
}

var _ regmap.Contents = (*Exchange)(nil)
