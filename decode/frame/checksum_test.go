package frame

import (
	"encoding/binary"
	"errors"
	"strconv"
	"strings"
	"testing"

	"plumbline/regmap/line"
)

// Source: serial guide 6.2.2 (example and figure 30); the check value of
// "123456789" from public catalogues of CRC parameters, as in vectors.yaml.
func TestCRCOfTheGuide(t *testing.T) {
	v := loadVectors(t).CRC
	if got := CRC([]byte(v.Parameters.Input)); int(got) != number(t, v.Parameters.Check) {
		t.Errorf("check value %04X, want %s", got, v.Parameters.Check)
	}
	if got := CRC(unhex(t, v.Example.Message)); int(got) != number(t, v.Example.CRC) {
		t.Errorf("example %04X, want %s", got, v.Example.CRC)
	}
	wire := binary.LittleEndian.AppendUint16(nil, CRC(unhex(t, v.Example.Message)))
	if string(wire) != string(unhex(t, v.Example.Wire)) {
		t.Errorf("on the wire % X, want %s", wire, v.Example.Wire)
	}
	if got := CRC(unhex(t, v.Example.Frame)); got != 0 {
		t.Errorf("residue %04X, want 0", got)
	}
	crc := uint16(number(t, v.Parameters.Init))
	for _, step := range v.Trace {
		crc = crcNext(crc, unhex(t, step.Byte)[0])
		last := step.After[len(step.After)-1]
		if want, err := strconv.ParseUint(last, 16, 16); err != nil || uint64(crc) != want {
			t.Errorf("after %s: %04X, want %s", step.Byte, crc, last)
		}
	}
}

// Every byte of the table against the shift procedure of the serial guide
// 6.2.2.
func TestCRCTable(t *testing.T) {
	for b := range 256 {
		crc := uint16(0xFFFF) ^ uint16(b)
		for range 8 {
			carry := crc & 1
			crc >>= 1
			if carry == 1 {
				crc ^= 0xA001
			}
		}
		if got := CRC([]byte{byte(b)}); got != crc {
			t.Errorf("%02X: %04X, want %04X", b, got, crc)
		}
	}
}

// Source: serial guide 2.5.2.2, 6.2.1; the worked sums as in vectors.yaml. The
// sums of 01 01 00 02 00 10 and F7 03 13 89 00 0A were computed by hand.
func TestLRC(t *testing.T) {
	v := loadVectors(t).LRC
	for _, w := range v.Worked {
		b := unhex(t, w.Bytes)
		if got := LRC(b); int(got) != number(t, w.LRC) {
			t.Errorf("%s: %02X, want %s", w.Bytes, got, w.LRC)
		}
		if w.ASCII == "" {
			continue
		}
		if adu, err := AppendADU(nil, ADU{Framing: line.ASCII, Unit: 0, PDU: b}); err != nil || !strings.Contains(string(adu), w.ASCII[1:len(w.ASCII)-4]) {
			t.Errorf("%s: %q, %v", w.Bytes, adu, err)
		}
		if _, err := ParseADU(line.ASCII, []byte(w.ASCII)); err != nil {
			t.Errorf("%s: %v", w.ASCII, err)
		}
	}
	if got := LRC([]byte{1, 1, 0, 2, 0, 0x10}); got != 0xEC {
		t.Errorf("%02X, want EC", got)
	}
	if got := string(appendHex(nil, byte(number(t, v.Character.LRC)))); got != v.Character.Characters {
		t.Errorf("%q, want %q", got, v.Character.Characters)
	}
}

// Frames with a good CRC from public discussions of serial lines, their CRC
// computed again by two procedures.
func TestFramesOfTheField(t *testing.T) {
	for _, s := range []string{
		"01 04 00 00 00 12 70 07", "11 05 01 30 FF 00 8F 59", "0A 04 03 E9 00 01 E1 01",
		"01 06 00 0D 00 6A 98 26", "01 06 00 0D 00 64 19 E2", "01 03 FA 0C 00 01 74 D1",
		"01 03 00 F8 00 02 45 FA", "01 03 04 00 00 40 40 CA 03", "02 01 00 01 00 CA ED AE",
		"02 03 00 01 00 7D D4 18", "01 05 00 0B FF 00 FD F8", "01 01 00 00 00 20 3D D2",
		"01 01 04 00 00 08 00 FC 11", "01 03 00 02 23 2C FC E7",
	} {
		if _, err := ParseADU(line.RTU, unhex(t, s)); err != nil {
			t.Errorf("%s: %v", s, err)
		}
	}
	// Two answers to their requests, and one that is none: its echo differs.
	for _, c := range []struct {
		request, answer string
		want            error
	}{
		{"01 03 00 F8 00 02 45 FA", "01 03 04 00 00 40 40 CA 03", nil},
		{"01 01 00 00 00 20 3D D2", "01 01 04 00 00 08 00 FC 11", nil},
		{"01 06 00 0D 00 6A 98 26", "01 06 00 0D 00 64 19 E2", ErrMismatch},
		{"01 03 00 F8 00 02 45 FA", "01 03 00 02 23 2C FC E7", ErrCount},
	} {
		a, b := unhex(t, c.request), unhex(t, c.answer)
		q, err := ParseRequest(a[1 : len(a)-2])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Match(q, b[1:len(b)-2]); !errors.Is(err, c.want) {
			t.Errorf("%s to %s: %v, want %v", c.answer, c.request, err, c.want)
		}
	}
	// V1.1b3 6.1 packs the first coil lowest: F5 FF.
	a, err := ParseResponse([]byte{1, 2, 0xF5, 0xFF})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []uint16{1, 0, 1, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0} {
		if got := a.Item(i, true); got != want {
			t.Errorf("coil %d: %d, want %d", i, got, want)
		}
	}
}

// Faults of 1, 2 and 3 bits in an eight-byte frame are all caught; of the
// 635,376 faults of 4 bits 364 pass. The CRC is linear, so the faults that pass
// are the same for every frame: those whose CRC from a start of 0 is 0. The
// number was computed before, apart from this code.
func TestFaultsThatPassTheCRC(t *testing.T) {
	const bits = 64
	frame := unhex(t, "11 06 00 01 00 03 9A 9B") // vectors.yaml, fc06-write-register-2
	check := func(b []byte) uint16 {
		return CRC(b[:6]) ^ binary.LittleEndian.Uint16(b[6:])
	}
	if check(frame) != 0 {
		t.Fatal("the frame itself is wrong")
	}
	var syndrome [bits]uint16
	for i := range syndrome {
		b := append([]byte(nil), frame...)
		b[i/8] ^= 1 << (i % 8)
		syndrome[i] = check(b)
	}
	// The linearity that the count rests on, tried on every pair.
	var passed, tried [5]int
	for i := range bits {
		count(&tried, &passed, 1, syndrome[i])
		for j := range i {
			b := append([]byte(nil), frame...)
			b[i/8] ^= 1 << (i % 8)
			b[j/8] ^= 1 << (j % 8)
			if check(b) != syndrome[i]^syndrome[j] {
				t.Fatalf("bits %d and %d do not add up", i, j)
			}
			count(&tried, &passed, 2, syndrome[i]^syndrome[j])
			for k := range j {
				count(&tried, &passed, 3, syndrome[i]^syndrome[j]^syndrome[k])
				for l := range k {
					count(&tried, &passed, 4, syndrome[i]^syndrome[j]^syndrome[k]^syndrome[l])
				}
			}
		}
	}
	if want := [5]int{0, 0, 0, 0, 364}; passed != want {
		t.Errorf("passed %v, want %v", passed, want)
	}
	if want := [5]int{0, 64, 2016, 41664, 635376}; tried != want {
		t.Errorf("tried %v, want %v", tried, want)
	}
}

func count(tried, passed *[5]int, n int, syndrome uint16) {
	tried[n]++
	if syndrome == 0 {
		passed[n]++
	}
}
