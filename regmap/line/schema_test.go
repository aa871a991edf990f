package line

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"plumbline/regmap/doc"
)

// keyed is a YAML value with its keys as texts, as JSON has them.
func keyed(v any) any {
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

func viaJSON(t *testing.T, v any) any {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	out, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestSchema: a JSON Schema library takes every good line file and refuses
// those whose fault lies in one value alone.
func TestSchema(t *testing.T) {
	c := jsonschema.NewCompiler()
	if err := c.AddResource("line.json", viaJSON(t, doc.Schema("Line file", Shape()))); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("line.json")
	if err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]bool{
		"lines/everything.good": true, "lines/serial.good": true, "maps/nursery": true,
		"lines/bad/unknown-key.bad": false, "lines/bad/no-name.bad": false, "lines/bad/no-host.bad": false,
		"lines/bad/port-number.bad": false, "lines/bad/retries.bad": false, "lines/bad/map-missing.bad": false, "lines/bad/map-not-text.bad": false,
		"lines/bad/stations-list.bad": false, "lines/bad/tcp-baud.bad": false, "lines/bad/parity.bad": false, "lines/bad/stop.bad": false,
		"lines/bad/write-yes.bad": false, "lines/bad/timing-below-zero.bad": false, "lines/bad/every-without-unit.bad": false,
		"lines/bad/name-capital.bad": false, "lines/bad/list-for-line.bad": false, "lines/bad/key-missing.bad": false, "lines/bad/rs485.bad": false, "lines/bad/rs485-tcp.bad": false,
	} {
		text, err := os.ReadFile("../../testdata/" + file + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		var v any
		if err := yaml.Unmarshal(text, &v); err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(viaJSON(t, keyed(v))); (err == nil) != want {
			t.Errorf("%s taken: %v, want %v; %v", file, err == nil, want, err)
		}
	}
}

// TestSchemaGolden: the schema that editors are given, so that a change of a
// key is seen in review.
func TestSchemaGolden(t *testing.T) {
	got, err := json.MarshalIndent(doc.Schema("Line file", Shape()), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	const golden = "../../testdata/lines/schema.golden.json"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile(golden); err != nil || string(want) != string(got) {
		t.Errorf("%v; got\n%s\nwant\n%s", err, got, want)
	}
}
