package simdevice

import (
	"slices"
	"testing"

	"plumbline/regmap"
)

// What the map does not let clients write is 02, and nothing is written.
func TestWriteOnlyWhereTheMapAllows(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	before := image(s.Bank(testUnit))
	for _, pdu := range []string{
		"05 00 01 FF 00", "05 00 02 FF 00", // no write; not mapped
		"06 00 32 00 01", "06 00 00 00 01", "06 00 2B 00 01", // no write; not mapped; a bridged gap
		"0F 00 00 00 02 01 03", "10 00 2B 00 02 04 00 01 00 01",
		"10 00 32 00 01 02 00 01", "16 00 32 00 00 FF FF", "16 00 2B 00 00 FF FF",
		"17 00 10 00 01 00 32 00 01 02 00 01", "17 00 10 00 01 00 2B 00 01 02 00 01",
		"10 00 29 00 04 08 41 41 41 41 00 00 00 00", // runs over the gap at 43
	} {
		if got := code(s.Answer(nil, testUnit, unhex(t, pdu))); got != 2 {
			t.Errorf("%s: exception %d, want 2", pdu, got)
		}
	}
	if !slices.Equal(before, image(s.Bank(testUnit))) {
		t.Error("refused writes changed the contents")
	}
}

// A value beyond its limits is met as the map's `outside` says, whichever
// function brings it.
func TestOutsideLimits(t *testing.T) {
	const old = "03 E8" // 1000, the contents before each write
	for _, row := range []struct {
		name, at     string
		value        string
		answer, held string // "" for the answer: as for a good write
	}{
		{"limit, above", "00 20", "0B B8", "", "09 C4"}, {"limit, below", "00 20", "00 64", "", "01 F4"},
		{"limit, within", "00 20", "07 D0", "", "07 D0"}, {"limit, at the limit", "00 20", "09 C4", "", "09 C4"},
		{"limit, one above", "00 20", "09 C5", "", "09 C4"}, {"limit, far below zero", "00 20", "80 00", "", "01 F4"},
		{"ignore, above", "00 21", "0B B8", "", old}, {"ignore, below", "00 21", "00 64", "", old},
		{"ignore, within", "00 21", "07 D0", "", "07 D0"},
		{"accept, above", "00 22", "0B B8", "", "0B B8"}, {"accept, below", "00 22", "80 00", "", "80 00"},
		{"refuse, above", "00 23", "0B B8", "04", old}, {"refuse, below", "00 23", "00 64", "04", old},
		{"refuse, within", "00 23", "07 D0", "", "07 D0"}, {"refuse, at the limit", "00 23", "01 F4", "", "01 F4"},
	} {
		for f, build := range map[string]func() (pdu, good string){
			"06": func() (string, string) { p := "06 " + row.at + " " + row.value; return p, p },
			"10": func() (string, string) {
				return "10 " + row.at + " 00 01 02 " + row.value, "10 " + row.at + " 00 01"
			},
			"16": func() (string, string) { p := "16 " + row.at + " 00 00 " + row.value; return p, p },
			"17": func() (string, string) {
				return "17 " + row.at + " 00 01 " + row.at + " 00 01 02 " + row.value, "17 02 " + row.held
			},
		} {
			s := stationOf(t, cistern+"simulate: {points: {lead-start: {start: 1}, lag-start: {start: 1}, high-stop: {start: 1}, low-stop: {start: 1}}}\n", Options{})
			pdu, want := build()
			if row.answer != "" {
				want = spaced([]byte{unhex(t, f)[0] | 0x80, 4})
			}
			if got := ask(t, s, testUnit, pdu); got != want {
				t.Errorf("%s by %s: answer %q, want %q", row.name, f, got, want)
			}
			if got, want := ask(t, s, testUnit, "03 "+row.at+" 00 01"), "03 02 "+row.held; got != want {
				t.Errorf("%s by %s: then %q, want %q", row.name, f, got, want)
			}
		}
	}
}

// One refused point refuses the whole request; one ignored point does not.
func TestOutsideWithinOneRequest(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	before := image(s.Bank(testUnit))
	// lead-start 1.0, lag-start 1.0, high-stop 1.0, low-stop 3.0: refused
	wants(t, s, "10 00 20 00 04 08 03 E8 03 E8 03 E8 0B B8", "90 04")
	wants(t, s, "17 00 20 00 01 00 20 00 04 08 03 E8 03 E8 03 E8 0B B8", "97 04")
	if !slices.Equal(before, image(s.Bank(testUnit))) {
		t.Error("a refused request changed the contents")
	}
	// 3.0, 3.0, 3.0, 1.0: limited, ignored, accepted, taken
	wants(t, s, "10 00 20 00 04 08 0B B8 0B B8 0B B8 03 E8", "10 00 20 00 04")
	wants(t, s, "03 00 20 00 04", "03 08 09 C4 00 00 0B B8 03 E8")
}

// A wide value is judged when it comes whole, in its own order; half of it is
// stored as it comes.
func TestWideValues(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	wants(t, s, "10 00 24 00 02 04 00 00 00 02", "10 00 24 00 02") // CDAB: 0x00020000 is above 100000
	wants(t, s, "03 00 24 00 02", "03 04 86 A0 00 01")             // 100000 = 0x000186A0
	wants(t, s, "06 00 25 00 02", "06 00 25 00 02")                // the high word alone
	wants(t, s, "03 00 24 00 02", "03 04 86 A0 00 02")
	wants(t, s, "06 00 24 12 34", "06 00 24 12 34")
	wants(t, s, "03 00 24 00 02", "03 04 12 34 00 02")
	// What an earlier request carried has no part in it.
	wants(t, s, "10 00 29 00 02 04 FF FF FF FF", "10 00 29 00 02")
	wants(t, s, "06 00 24 12 35", "06 00 24 12 35")
	wants(t, s, "03 00 24 00 02", "03 04 12 35 00 02")
	wants(t, s, "06 00 24 12 34", "06 00 24 12 34")
	// A write that takes a neighbour's half changes nothing of the other half.
	wants(t, s, "10 00 25 00 02 04 00 FF 41 20", "10 00 25 00 02")
	wants(t, s, "03 00 24 00 04", "03 08 12 34 00 FF 41 20 00 00")
}

// The nearest float to a limit is the limit, though it lies beyond; contents
// that hold no number have no nearest limit and are not taken.
func TestLimitsOfFloats(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	for _, row := range []struct{ name, write, held string }{
		// IEEE 754-2008, 3.4: 0.1 is 3DCCCCCD (above 0.1), 10.7 is 412B3333 (below 10.7).
		{"at the smallest", "3D CC CC CD", "3D CC CC CD"}, {"just below it", "3D CC CC CC", "3D CC CC CD"},
		{"at the largest", "41 2B 33 33", "41 2B 33 33"}, {"just above it", "41 2B 33 34", "41 2B 33 33"},
		{"far above", "47 C3 50 00", "41 2B 33 33"}, {"negative", "BF 80 00 00", "3D CC CC CD"},
		{"NaN", "7F C0 00 00", "3D CC CC CD"}, {"infinity", "7F 80 00 00", "3D CC CC CD"},
	} {
		wants(t, s, "10 00 26 00 02 04 "+row.write, "10 00 26 00 02")
		if got, want := ask(t, s, testUnit, "03 00 26 00 02"), "03 04 "+row.held; got != want {
			t.Errorf("%s: held %q, want %q", row.name, got, want)
		}
	}
	// Refused is only what is not the limit itself: 0.1 as a float is above 0.1, 10.7 below 10.7.
	r := stationOf(t, `
device: Refusing
points:
  low: {holding-register: 0, type: float32, write: {min: 10.7, outside: refuse}}
  high: {holding-register: 2, type: float32, write: {max: 0.1, outside: refuse}}
`, Options{})
	wants(t, r, "10 00 00 00 02 04 41 2B 33 33", "10 00 00 00 02")
	wants(t, r, "10 00 00 00 02 04 41 2B 33 32", "90 04")
	wants(t, r, "10 00 02 00 02 04 3D CC CC CD", "10 00 02 00 02")
	wants(t, r, "10 00 02 00 02 04 3D CC CC CE", "90 04")
	wants(t, s, "06 00 28 10 00", "06 00 28 10 00") // BCD 1000, at the limit
	wants(t, s, "06 00 28 10 01", "06 00 28 10 01") // BCD 1001: limited
	wants(t, s, "03 00 28 00 01", "03 02 10 00")
	wants(t, s, "06 00 28 0A 00", "06 00 28 0A 00") // no decimal digits: the old contents stay
	wants(t, s, "03 00 28 00 01", "03 02 10 00")
}

// A limit between two steps of a whole number is the step within.
func TestLimitsBetweenSteps(t *testing.T) {
	s := stationOf(t, `
device: Steps
points:
  tenths: {holding-register: 0, type: int16, scale: {times: 0.1}, write: {min: -1.27, max: 2.46}}
  falling: {holding-register: 1, type: int16, scale: {times: -1}, write: {min: -2.5, max: 2.5}}
  widest: {holding-register: 2, type: uint16, write: {min: 0, max: 65535}}
`, Options{})
	wants(t, s, "10 00 00 00 02 04 7F FF 7F FF", "10 00 00 00 02")
	wants(t, s, "03 00 00 00 02", "03 04 00 18 00 02") // 2.4, and -2
	wants(t, s, "10 00 00 00 02 04 80 00 80 00", "10 00 00 00 02")
	wants(t, s, "03 00 00 00 02", "03 04 FF F4 FF FE") // -1.2, and 2
	wants(t, s, "06 00 02 FF FF", "06 00 02 FF FF")
	wants(t, s, "03 00 02 00 01", "03 02 FF FF")
}

// Coils, words of bits and text have no limits; of a register shared by bools
// only the writable bits change.
func TestCoilsAndBits(t *testing.T) {
	s := stationOf(t, cistern+"simulate: {points: {fault: {start: true}}}\n", Options{})
	for _, row := range []struct{ pdu, want string }{
		{"05 00 00 FF 00", "05 00 00 FF 00"}, {"01 00 00 00 02", "01 01 01"},
		{"0F 00 00 00 01 01 FE", "0F 00 00 00 01"}, {"01 00 00 00 02", "01 01 00"}, // bits beyond the quantity are ignored
		{"06 00 10 FF FF", "06 00 10 FF FF"}, {"03 00 10 00 01", "03 02 FF FF"},
		{"16 00 10 FF FE 00 00", "16 00 10 FF FE 00 00"}, {"03 00 10 00 01", "03 02 FF FE"},
		{"03 00 2C 00 01", "03 02 00 10"}, // fault is bit 4, ready bit 3
		{"06 00 2C FF EF", "06 00 2C FF EF"}, {"03 00 2C 00 01", "03 02 00 18"},
		{"16 00 2C 00 00 00 00", "16 00 2C 00 00 00 00"}, {"03 00 2C 00 01", "03 02 00 10"},
		{"10 00 29 00 02 04 50 31 00 00", "10 00 29 00 02"}, {"03 00 29 00 02", "03 04 50 31 00 00"},
	} {
		wants(t, s, row.pdu, row.want)
	}
	b := s.Bank(testUnit)
	if v := b.Value(b.Map().Point("tag")); !v.Same(regmap.TextValue("P1")) {
		t.Errorf("tag holds %v", v)
	}
}
