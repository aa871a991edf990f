package sheet

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"plumbline/regmap"
)

func modelFile(t *testing.T, name string) File {
	t.Helper()
	text, err := os.ReadFile("../../testdata/sheets/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return File{name, text}
}

// TestModels: two models of our own in a chain, with every kind of point.
// Source: SunSpec information models, JSON Schema (keys, types, defaults) and
// discovery (marker 5375 6E53, header of ID and L, end FFFF).
func TestModels(t *testing.T) {
	files := []File{modelFile(t, "model-common.json"), modelFile(t, "model-cistern.json")}
	r, err := Models(files, Options{Base: DefaultBase, Count: 2})
	if err != nil {
		t.Fatal(err)
	}
	m := loads(t, r.Map)
	golden(t, "../../testdata/sheets/models.yaml", string(r.Map))
	golden(t, "../../testdata/sheets/models.words", words(r))
	for name, address := range map[string]int{
		"marker": 40000, "common-model-id": 40002, "common-model-length": 40003, "common-mn": 40004, "common-da": 40020, // pad 40021
		"cistern-model-id": 40022, "cistern-lvl": 40024, "cistern-vol": 40025, "cistern-flow-tot": 40027, "cistern-tmp": 40029,
		"cistern-start-lvl": 40031, "cistern-st": 40032, "cistern-evt": 40033, "cistern-cfg": 40035, "cistern-big": 40036, "cistern-nam": 40040,
		"cistern-ip": 40050, "cistern-lvl-sf": 40054, "cistern-pump-1-hrs": 40056, "cistern-pump-1-motor-a": 40059, "cistern-pump-2-hrs": 40060,
		"cistern-valve-1-pos-1": 40064, "cistern-valve-2-pos-2": 40067, "end-of-models": 40068,
	} {
		p := m.Point(name)
		if p == nil || int(p.Address) != address || p.Table != regmap.HoldingRegister {
			t.Errorf("%s is %+v, want address %d", name, p, address)
		}
	}
	if p := m.Point("cistern-pump-2-spd"); p.Exponent == nil || p.Exponent.Span.First != 40054 {
		t.Errorf("the exponent of an outer group: %+v", p.Exponent)
	}
	if p := m.Point("cistern-lvl"); fmt.Sprint(p.Absent) != "[32768]" || p.Writable() || p.Units != "%" {
		t.Errorf("%+v", p)
	}
	if p := m.Point("cistern-start-lvl"); !p.Writable() || fmt.Sprint(p.Absent) != "[65535]" {
		t.Errorf("%+v", p)
	}
	if p := m.Point("cistern-vol"); p.Scale.Words(nil) != "times 0.01" || p.Units != "" || !strings.Contains(p.About, "[widgets]") {
		t.Errorf("%+v", p)
	}
	if p := m.Point("cistern-flow-tot"); !p.Counter || len(p.Absent) != 0 || p.Scale.Words(nil) != "times 100" {
		t.Errorf("%+v", p)
	}
	if p := m.Point("cistern-evt.leak"); p == nil || p.Part != (regmap.Part{Low: 31, Width: 1}) {
		t.Errorf("%+v", p)
	}
	if p := m.Point("cistern-st"); namedWords(p.Values) != "1: OFF, 2: PUMPING, 3: OFF-2" {
		t.Errorf("%s", namedWords(p.Values))
	}
	if len(m.Point("cistern-tmp").Absent) != 0 {
		t.Error("a NaN is bad by itself")
	}
	left := map[string]bool{}
	for _, l := range r.LeftOut {
		left[l.Place] = l.Harmless
	}
	if len(left) != 5 || left["64901.MAC"] || left["64901.Odd"] || left["64901.Lost"] || !left["1.Pad"] || !left["64901.Pad"] {
		t.Errorf("left out %v", left)
	}
}

// sentinels: contents that mean 'not implemented', by type.
// Source: SunSpec information models, unimplemented values.
func TestModelSentinels(t *testing.T) {
	for typ, want := range map[string]uint64{
		"int16": 0x8000, "uint16": 0xFFFF, "int32": 0x80000000, "uint32": 0xFFFFFFFF, "int64": 0x8000000000000000, "uint64": 0xFFFFFFFFFFFFFFFF,
		"enum16": 0xFFFF, "enum32": 0xFFFFFFFF, "bitfield16": 0xFFFF, "bitfield32": 0xFFFFFFFF, "sunssf": 0x8000, "ipaddr": 0, "count": 0xFFFF,
	} {
		size := modelTypes[typ].registers
		text := fmt.Sprintf(`{"id": 9, "group": {"name": "g", "type": "group", "points": [{"name": "P", "type": %q, "size": %d}]}}`, typ, size)
		r, err := Models([]File{{"m.json", []byte(text)}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if p := loads(t, r.Map).Point("g-p"); p == nil || len(p.Absent) != 1 || p.Absent[0] != want {
			t.Errorf("%s: %+v, want %X", typ, p, want)
		}
	}
}

// TestModelsRefused: what is no model, and what goes beyond the table.
func TestModelsRefused(t *testing.T) {
	point := func(s string) string {
		return `{"id": 9, "group": {"name": "g", "type": "group", "points": [` + s + `]}}`
	}
	for text, says := range map[string]string{
		`{}`: "a model has an id", `{"id": 0, "group": {}}`: "a model has an id", `{"id": 9, "group": []}`: "a model has an id", `{"id": 9, "id": 9}`: "given twice",
		point(`{"name": "A", "type": "uint16"}`):                                    "no size",
		point(`{"type": "uint16", "size": 1}`):                                      "no size",
		point(`{"name": "A", "type": "uint16", "size": 1, "count": 0}`):             "repeats 0 times",
		point(`{"name": "A", "type": "pad", "size": 30000}`):                        "beyond address 65535",
		`{"id": 9, "group": {"name": "g", "groups": [{"name": "h", "count": -1}]}}`: "cannot repeat -1 times",
		`{"id": 9, "group": {"name": "g", "groups": [{"name": "h", "count": 1000000, "points": [{"name": "P", "type": "uint16", "size": 1}]}]}}`: "beyond address 65535",
	} {
		r, err := Models([]File{{"m.json", []byte(text)}}, Options{Base: DefaultBase})
		if r != nil || !errors.Is(err, ErrSource) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %+v, %v; want %q", text, r, err, says)
		}
	}
	if !IsModel([]byte(point(""))) || IsModel([]byte(`{"properties": {}}`)) {
		t.Error("kinds of JSON are mixed up")
	}
}

// FuzzModel: whatever the text, reading ends, and a map that is made loads.
func FuzzModel(f *testing.F) {
	for _, name := range []string{"model-common.json", "model-cistern.json"} {
		text, err := os.ReadFile("../../testdata/sheets/" + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Models([]File{{"m.json", text}}, Options{Base: DefaultBase})
		if err != nil {
			if r != nil || !errors.Is(err, ErrSource) {
				t.Fatalf("%v beside %v", r, err)
			}
			return
		}
		loads(t, r.Map)
	})
}
