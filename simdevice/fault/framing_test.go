package fault

import (
	"bytes"
	"encoding/hex"
	"testing"

	"plumbline/regmap/line"
)

// The frames are those of the standards: TCP guide V1.0b, 3.1.3 (header) and
// V1.1b3, 6.3 (answer of function 03: byte count 06, registers 022B 0000
// 0064). RTU checks come from the bit by bit calculation of rtuCRC; the LRC is
// the negated sum of the bytes (serial guide V1.02, 6.2.1), by hand.
var (
	framedAnswer = withCRC("110306022b00000064")
	framedTCP    = fromHex("15010000" + "0009" + "ff" + "0306022b00000064")
	// 11+03+02+02+2B = 43 hex; its negative is BD.
	framedASCII = []byte(":110302022BBD\r\n")
)

func fromHex(text string) []byte { b, _ := hex.DecodeString(text); return b }

func withCRC(text string) []byte {
	b := fromHex(text)
	crc := rtuCRC(b)
	return append(b, byte(crc), byte(crc>>8))
}

var framedRows = []struct {
	name    string
	framing line.Framing
	frame   []byte
	field   Field
	was     int
	value   int
	want    []byte
}{
	{"unit", line.RTU, framedAnswer, UnitField, 17, 18, withCRC("120306022b00000064")},
	{"function", line.RTU, framedAnswer, FunctionField, 3, 0x83, withCRC("118306022b00000064")},
	{"shorter", line.RTU, framedAnswer, LengthField, 7, 5, withCRC("110304022b0000")},
	{"longer", line.RTU, framedAnswer, LengthField, 7, 9, withCRC("110308022b000000640000")},
	{"nothing left", line.RTU, framedAnswer, LengthField, 7, 0, withCRC("1103")},
	{"no byte count", line.RTU, withCRC("11100001000a"), LengthField, 4, 3, withCRC("1110000100")},
	{"unit", line.MBAP, framedTCP, UnitField, 255, 1, fromHex("15010000" + "0009" + "01" + "0306022b00000064")},
	{"transaction", line.MBAP, framedTCP, TransactionField, 0x1501, 0x1500, fromHex("15000000" + "0009" + "ff" + "0306022b00000064")},
	{"shorter", line.MBAP, framedTCP, LengthField, 7, 3, fromHex("15010000" + "0005" + "ff" + "0302022b")},
	// One more in the unit is one less in the LRC.
	{"unit", line.ASCII, framedASCII, UnitField, 17, 18, []byte(":120302022BBC\r\n")},
}

func TestFramed(t *testing.T) {
	for _, c := range framedRows {
		s := Framed(c.framing)
		before := bytes.Clone(c.frame)
		if got, ok := s.Field(c.frame, c.field); !ok || got != c.was {
			t.Errorf("%v %s: field %d, %v; want %d", c.framing, c.name, got, ok, c.was)
		}
		if got, ok := s.With(c.frame, c.field, c.value); !ok || !bytes.Equal(got, c.want) {
			t.Errorf("%v %s: %x, %v; want %x", c.framing, c.name, got, ok, c.want)
		}
		if !bytes.Equal(c.frame, before) {
			t.Errorf("%v %s: the frame given was changed", c.framing, c.name)
		}
		for n := range c.frame { // what is cut off is no frame
			if _, ok := s.Field(c.frame[:n], c.field); ok {
				t.Errorf("%v %s: a field of %d bytes of %d", c.framing, c.name, n, len(c.frame))
			}
			if got, ok := s.With(c.frame[:n], c.field, c.value); ok || got != nil {
				t.Errorf("%v %s: %x of %d bytes", c.framing, c.name, got, n)
			}
		}
	}
}

func TestFramedRefuses(t *testing.T) {
	for _, c := range []struct {
		framing line.Framing
		frame   []byte
		field   Field
		value   int
	}{
		{line.RTU, framedAnswer, TransactionField, 1}, // RTU has none
		{line.RTU, framedAnswer, 0, 1},
		{line.RTU, framedAnswer, UnitField, 256},
		{line.RTU, framedAnswer, UnitField, -1},
		{0, framedAnswer, UnitField, 1},
	} {
		if got, ok := Framed(c.framing).With(c.frame, c.field, c.value); ok || got != nil {
			t.Errorf("%v field %v to %d: %x, want a refusal", c.framing, c.field, c.value, got)
		}
	}
	if v, ok := Framed(line.RTU).Field(framedAnswer, TransactionField); ok {
		t.Errorf("an RTU frame has transaction %d", v)
	}
	if v, ok := Framed(line.RTU).Field(framedAnswer, 0); ok {
		t.Errorf("no field has value %d", v)
	}
}

// A script with a framing: the answers of one unit get another unit's number.
func TestAnswerAsOfOneUnit(t *testing.T) {
	s, err := Parse("answers of unit 17: answer-as unit +1 every 2")
	if err != nil {
		t.Fatal(err)
	}
	run, err := s.Start(Framed(line.MBAP))
	if err != nil {
		t.Fatal(err)
	}
	var units []byte
	for _, unit := range []byte{17, 18, 17, 17, 18, 17} {
		ds := run.Answers().Deliveries([]byte{0, 1, 0, 0, 0, 3, unit, 0x83, 2})
		units = append(units, ds[0].Bytes[6])
	}
	if want := []byte{17, 18, 18, 17, 18, 18}; !bytes.Equal(units, want) {
		t.Errorf("units %v, want %v", units, want)
	}
}
