package regmap

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"plumbline/regmap/doc"
)

// plainJSON is what a YAML reader makes of a file, with keys as texts.
func plainJSON(t *testing.T, text []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	var keyed func(v any) any
	keyed = func(v any) any {
		switch v := v.(type) {
		case map[string]any:
			for k := range v {
				v[k] = keyed(v[k])
			}
		case map[any]any:
			out := map[string]any{}
			for k, below := range v {
				out[fmt.Sprint(k)] = keyed(below)
			}
			return out
		case []any:
			for i := range v {
				v[i] = keyed(v[i])
			}
		}
		return v
	}
	text, err := json.Marshal(keyed(v))
	if err != nil {
		t.Fatal(err)
	}
	out, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// mapSchema is the map's schema as a JSON Schema library has it.
func mapSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	s := doc.Schema("Register map", MapShape(Section{Key: "simulate", About: "the station's", Shape: doc.Shape{Kind: doc.AnyText}}))
	s["properties"].(map[string]any)["simulate"] = true // its owner's test asks what may stand there
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("map.json", parsed); err != nil {
		t.Fatal(err)
	}
	return c.MustCompile("map.json")
}

// everyKey is a map with each form that a key may have.
const everyKey = `
device: test
revision: 2
date: 2026-11-02
agreed: [{who: a, for: b, date: "2026-11-04"}]
order: CDAB
limits: {registers: 10, coils: 16, gap: 2, write-registers: 4, write-coils: 8}
holes: {holding-register: [200-203, 210]}
points:
  a: {reference: 40001, type: bits, size: 16, count-from: 1, first: most, bits: {1: ready, 4-5: {name: stage, values: {0: idle, 1: off}}}}
  b: {reference: "40002", type: bool, bit: 3, active: 0, alarm: true}
  c: {holding-register: 0x10, type: int16, scale: {exponent: {holding-register: 17}}, absent: [0x8000], every: 10s, together: x}
  d: {input-register: 0, type: float32, alarm: {high: 2.5, low: -1e-3, delay: 5s, latch: true}, signal: 4-20mA, scale: {raw: [4, 20], value: [0, 1]}}
  e: {input-register: 2, type: uint16, scale: {table: [[0, 0], [10, 1.5]]}, values: {0: none, 1.5: full}, decimals: 0}
  f: {input-register: 3, type: uint16, scale: {root: {raw: [0, 1000], value: [0, 90], cutoff: 2}}}
  g: {holding-register: 40, type: uint16, write: {min: 0, max: 10, step: 1, function: 16, only-when: {b: true}, read-back: e, outside: refuse}}
  h: {coil: 1, write: {hold: 500ms}}
  i: {holding-register: 50, type: string, length: 12, overlay: false, changes-on-read: true, heartbeat: 5s, changes-within: 1h30m}
groups:
  one: {name: "pump-{n}", count: 2, from: 0, stride: 10, points: {x: {coil: 100}}}
  two: {name: "tank-{n}", count: 2, stride: {input-register: 4}, points: {x: {input-register: 100, type: uint16, absent: 0x8000}}}
`

// TestSchemaTakesGoodMaps: what the reader takes, the schema takes.
func TestSchemaTakesGoodMaps(t *testing.T) {
	s := mapSchema(t)
	texts := map[string][]byte{"every key": []byte(everyKey)}
	for _, name := range []string{"cistern.yaml", "dosing.yaml"} {
		text, err := os.ReadFile("../testdata/maps/" + name)
		if err != nil {
			t.Fatal(err)
		}
		texts[name] = text
	}
	for name, text := range texts {
		rep := new(doc.Report)
		if m := Load(name, text, rep, Section{Key: "simulate", Read: func(doc.Node, *Map) any { return nil }}); m == nil {
			t.Fatalf("%s: the reader refuses it: %v", name, rep.Err())
		}
		if err := s.Validate(plainJSON(t, text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// schemaRefuses are the bad maps whose fault lies in one value alone. What a
// YAML reader makes a number of (1e2, 1_000, 010) and what one key says about
// another only our reader finds.
var schemaRefuses = []string{"unknown-key", "no-device", "type-unknown", "list-for-point", "limits", "decimal-comma",
	"fraction-address", "beyond-65535", "empty-address", "flag-yes", "time-without-unit", "hole-table"}

// TestSchemaRefusesBadMaps: a fault within one value is a fault for the schema.
func TestSchemaRefusesBadMaps(t *testing.T) {
	s := mapSchema(t)
	files, err := filepath.Glob("../testdata/maps/bad/*.bad.yaml")
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".bad.yaml")
		if !slices.Contains(schemaRefuses, name) {
			continue
		}
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		refused++
		if s.Validate(plainJSON(t, text)) == nil {
			t.Errorf("the schema takes %s", file)
		}
	}
	if refused != len(schemaRefuses) {
		t.Errorf("%d of %d bad maps were tried", refused, len(schemaRefuses))
	}
	for what, point := range map[string]string{
		"decimals":       "{coil: 0, decimals: 12}",
		"an order":       "{input-register: 0, type: uint32, order: ACBD}",
		"a bit block":    "{input-register: 0, type: bits, bits: {0: {nam: x}}}",
		"an alarm":       "{input-register: 0, type: int16, alarm: {hihi: 2}}",
		"a signal":       "{input-register: 0, type: int16, signal: 0-20mA}",
		"a stranger":     "{input-register: 0, type: int16, scael: {times: 2}}",
		"a write":        "{holding-register: 0, type: int16, write: true}",
		"outside":        "{holding-register: 0, type: int16, write: {outside: cut}}",
		"nothing at all": "",
	} {
		text := "device: test\npoints:\n  x: " + point + "\n"
		if Load("x", []byte(text), new(doc.Report)) != nil {
			t.Errorf("%s: the reader takes %s", what, point)
		}
		if s.Validate(plainJSON(t, []byte(text))) == nil {
			t.Errorf("%s: the schema takes %s", what, point)
		}
	}
}

// TestEveryKeyIsDescribed: each key of the schema says what it means.
func TestEveryKeyIsDescribed(t *testing.T) {
	keys := 0
	describe(t, "map", doc.Schema("Register map", MapShape()), &keys)
	if keys < 150 {
		t.Errorf("only %d keys were seen", keys)
	}
}

func describe(t *testing.T, path string, s map[string]any, keys *int) {
	t.Helper()
	for key, below := range properties(s) {
		*keys++
		if words, _ := below["description"].(string); words == "" {
			t.Errorf("%s.%s is not described", path, key)
		}
		describe(t, path+"."+key, below, keys)
	}
	for _, under := range []string{"additionalProperties", "items"} {
		if below, ok := s[under].(map[string]any); ok {
			describe(t, path+".*", below, keys)
		}
	}
	forms, _ := s["anyOf"].([]map[string]any)
	for _, below := range forms {
		describe(t, path, below, keys)
	}
}

// properties are a block's keys with their schemas.
func properties(s map[string]any) map[string]map[string]any {
	out := map[string]map[string]any{}
	below, _ := s["properties"].(map[string]any)
	for key, v := range below {
		out[key] = v.(map[string]any)
	}
	return out
}
