package sheet

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// descriptionSchema is the published JSON Schema of Thing Descriptions, its
// formats (addresses, dates) held as well.
// Source: W3C, td-json-schema-validation.json 1.1-12-March-2025
// (testdata/td/README.md).
func descriptionSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	const name = "../../testdata/td/td-json-schema-validation.json"
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("td.json", parsed); err != nil {
		t.Fatal(err)
	}
	return c.MustCompile("td.json")
}

func fits(t *testing.T, s *jsonschema.Schema, text string) error {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(v)
}

// exampleMaps are the texts of all example maps, those made of lists and
// models among them, and of one with every kind of point.
func exampleMaps(t *testing.T) map[string][]byte {
	t.Helper()
	texts := map[string][]byte{"everything.yaml": []byte(allKinds)}
	for _, folder := range []string{"maps", "sheets"} {
		files, err := filepath.Glob("../../testdata/" + folder + "/*.yaml")
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !line.IsLine(text) {
				texts[file] = text
			}
		}
	}
	return texts
}

// TestDescriptionsFitTheSchema: what is exported of every example map is a
// Thing Description by the published schema.
func TestDescriptionsFitTheSchema(t *testing.T) {
	s := descriptionSchema(t)
	texts := exampleMaps(t)
	if len(texts) < 8 {
		t.Errorf("only %d example maps are found", len(texts))
	}
	for file, text := range texts {
		rep := new(doc.Report)
		m := regmap.Load(file, text, rep, stationBlock())
		if m == nil {
			t.Fatalf("%s: %v", file, rep.Err())
		}
		td, _ := Export(m)
		if err := fits(t, s, string(td)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
}

// TestSchemaRefuses: each part that the standard asks for is missed or found
// wrong by the schema, so that a fit means something.
func TestSchemaRefuses(t *testing.T) {
	s := descriptionSchema(t)
	text, err := os.ReadFile("../../testdata/sheets/cistern.jsonld")
	if err != nil {
		t.Fatal(err)
	}
	for old, wrong := range map[string]string{
		`"title": "Cistern`:          `"heading": "Cistern`,
		`"security": `:               `"safety": `,
		`"scheme": "nosec"`:          `"scheme": 1`,
		`2022/wot/td/v1.1`:           `2022/wot/td/v9.9`,
		`"href": `:                   `"address": `,
		`"readproperty"`:             `"read"`,
		`"type": "integer"`:          `"type": "uint16"`,
		`"readOnly": true`:           `"readOnly": "yes"`,
		`"description": "Rainwater `: `"description": ["Rainwater"], "x": "`,
	} {
		if !strings.Contains(string(text), old) {
			t.Errorf("the description has no %s", old)
		}
		if fits(t, s, strings.Replace(string(text), old, wrong, 1)) == nil {
			t.Errorf("%s instead of %s fits the schema", wrong, old)
		}
	}
}
