package simdevice

import (
	"strings"
	"testing"

	"plumbline/decode/frame"
)

// identify asks one access and gives the answer, which must pass the rules of
// V1.1b3 6.21.
func identify(t *testing.T, s *Station, access, object uint8) frame.Response {
	t.Helper()
	q := frame.ReadDeviceID(access, object)
	pdu, err := q.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := frame.Match(q, s.Answer(nil, testUnit, pdu))
	if err != nil {
		t.Fatalf("access %d, object %d: %v", access, object, err)
	}
	return r
}

func objects(r frame.Response) (ids []uint8, values []string) {
	for id, v := range r.Objects() {
		ids, values = append(ids, id), append(values, string(v))
	}
	return ids, values
}

// Objects, levels and order: V1.1b3 6.21 (p43-45).
func TestDeviceIdentification(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	for _, row := range []struct {
		access, object uint8
		ids            string
	}{
		{1, 0, "\x00\x01\x02"}, {1, 1, "\x01\x02"}, {1, 2, "\x02"},
		{2, 0, "\x00\x01\x02\x03\x04\x05\x06"}, {2, 4, "\x04\x05\x06"},
		{3, 0, "\x00\x01\x02\x03\x04\x05\x06"}, {3, 6, "\x06"}, // the station answers at its own level
		{1, 3, "\x00\x01\x02"}, {1, 0x7F, "\x00\x01\x02"}, // A16: unknown to the stream, it begins again
		{2, 7, "\x00\x01\x02\x03\x04\x05\x06"}, {3, 0xFF, "\x00\x01\x02\x03\x04\x05\x06"},
		{4, 0, "\x00"}, {4, 6, "\x06"},
	} {
		r := identify(t, s, row.access, row.object)
		ids, values := objects(r)
		if string(ids) != row.ids || int(r.Count) != len(ids) || r.More || r.Conformity != 0x82 {
			t.Errorf("access %d, object %d: %d objects %v, more %v, conformity %02X", row.access, row.object, r.Count, ids, r.More, r.Conformity)
		}
		for i, id := range ids {
			if want := [...]string{"plumbline", "simulated station", "B", "", "Cistern transfer station", "", ""}[id]; want != "" && values[i] != want {
				t.Errorf("object %d is %q, want %q", id, values[i], want)
			}
		}
	}
	if _, all := objects(identify(t, s, 2, 0)); strings.Count(strings.Join(all, "\n"), "simulated") < 2 {
		t.Errorf("the identification %q does not say plainly that it is simulated", all)
	}
}

// A16: V1.1b3 6.21, p44.
func TestA16DeviceIdentificationRefused(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	for access := range 256 {
		got := code(s.Answer(nil, testUnit, []byte{0x2B, 0x0E, byte(access), 0}))
		if want := map[bool]int{true: 0, false: 3}[access >= 1 && access <= 4]; got != want {
			t.Errorf("access code %d: exception %d, want %d", access, got, want)
		}
	}
	for object := 7; object < 256; object++ {
		if got := code(s.Answer(nil, testUnit, []byte{0x2B, 0x0E, 4, byte(object)})); got != 2 {
			t.Errorf("single object %d: exception %d, want 2", object, got)
		}
	}
	for mei := range 256 {
		if mei == 0x0E {
			continue
		}
		if got := code(s.Answer(nil, testUnit, []byte{0x2B, byte(mei), 1, 0})); got != 1 {
			t.Errorf("MEI type %d: exception %d, want 1", mei, got)
		}
	}
	wants(t, s, "2B", "AB 03")
}

// An object is never split: what does not fit comes with the next request, in
// the form of the standard's example of two transactions (V1.1b3 6.21, p45).
func TestDeviceIdentificationInParts(t *testing.T) {
	s := stationOf(t, "device: "+strings.Repeat("Zisterne ü ", 40)+"\nrevision: "+strings.Repeat("B", 200)+"\npoints: {a: {coil: 0}}\n", Options{})
	var all []string
	next := uint8(0)
	for range regularObjects {
		r := identify(t, s, 2, next)
		ids, values := objects(r)
		if ids[0] != next {
			t.Fatalf("asked for object %d, got %d", next, ids[0])
		}
		all = append(all, values...)
		if !r.More {
			break
		}
		if next = r.Next; int(next) != len(all) {
			t.Fatalf("next is object %d after %d objects", next, len(all))
		}
	}
	if len(all) != regularObjects || all[2] != strings.Repeat("B", 200) {
		t.Fatalf("%d objects came", len(all))
	}
	if name := all[4]; len(name) != maxObject || !strings.HasPrefix(name, "Zisterne ? Zisterne") {
		t.Errorf("the product name is %q (%d bytes)", name, len(name))
	}
	for id := range uint8(regularObjects) {
		if _, one := objects(identify(t, s, 4, id)); len(one) != 1 || one[0] != all[id] {
			t.Errorf("object %d alone is %q, want %q", id, one, all[id])
		}
	}
}

// Wherever the objects part, the answer stays a PDU and says what comes next.
func TestDeviceIdentificationAtEveryLength(t *testing.T) {
	for n := 1; n <= maxObject+5; n++ {
		s := stationOf(t, "device: "+strings.Repeat("d", n)+"\npoints: {a: {coil: 0}}\n", Options{})
		var got int
		for next := uint8(0); ; {
			r := identify(t, s, 2, next) // at most 253 bytes, or it is no answer
			got += int(r.Count)
			if next = r.Next; !r.More {
				break
			}
		}
		if got != regularObjects {
			t.Errorf("a name of %d characters: %d objects came", n, got)
		}
	}
}

// A map without a revision says so; the object is not left out.
func TestRevisionNotStated(t *testing.T) {
	s := stationOf(t, "device: Bare\npoints: {a: {coil: 0}}\n", Options{})
	if _, v := objects(identify(t, s, 4, 2)); v[0] != "not stated" {
		t.Errorf("the revision is %q", v[0])
	}
}
