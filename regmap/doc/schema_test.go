package doc

import (
	"encoding/json"
	"math/big"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// compile makes a validator of a schema; a JSON Schema library is the outside
// judge of both the schema and what it takes.
func compile(t *testing.T, s map[string]any) *jsonschema.Schema {
	t.Helper()
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("schema.json", parsed); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile("schema.json") // checks it against the dialect's own schema too
	if err != nil {
		t.Fatal(err)
	}
	return compiled
}

// TestSchemaShapes: each shape takes what the reader takes and refuses what it
// refuses, as the values of a JSON document. Source: JSON Schema Validation,
// draft 2020-12, 6.1 to 6.5, as a library of that draft applies it.
func TestSchemaShapes(t *testing.T) {
	word, number := Shape{Kind: NameWord}, Shape{Kind: WholeNumber, Low: big.NewInt(0), High: big.NewInt(9)}
	block := Shape{Kind: KeyBlock, Keys: []KeyShape{{Key: "a", About: "the first", Required: true, Shape: number}, {Key: "b", Shape: word}}}
	for _, v := range []struct {
		name     string
		shape    Shape
		good     []string
		doubtful []string // refused
	}{
		{"text", Shape{Kind: AnyText}, []string{`"x"`, `"2"`, `2`, `true`}, []string{`null`, `[]`, `{}`}},
		{"name", word, []string{`"pump-1"`}, []string{`"Pump"`, `"a--b"`, `"-a"`, `1`, `""`}},
		{"whole", number, []string{`0`, `9`, `"7"`, `"0x1F"`}, []string{`10`, `-1`, `1.5`, `"07"`, `"x"`, `true`, `null`}},
		{"whole without bounds", Shape{Kind: WholeNumber}, []string{`-5`, `18446744073709551615`}, []string{`0.5`, `"1e2"`}},
		{"decimal", Shape{Kind: DecimalNumber}, []string{`1.5`, `-2`, `"1e-3"`, `"0x10"`}, []string{`"0,1"`, `"01"`, `true`, `[]`}},
		{"flag", Shape{Kind: TrueOrFalse}, []string{`true`, `false`, `"true"`}, []string{`"yes"`, `1`, `0`}},
		{"time", Shape{Kind: TimeSpan}, []string{`"5s"`, `"1h30m"`, `"0s"`, `"1.5ms"`}, []string{`5`, `"5"`, `"-5s"`, `"5 s"`}},
		{"choice", Shape{Kind: OneWord, Words: []string{"16", "least", "true"}}, []string{`16`, `"16"`, `"least"`, `true`}, []string{`17`, `"last"`, `false`}},
		{"block", block, []string{`{"a":1}`, `{"a":1,"b":"x"}`}, []string{`{}`, `{"b":"x"}`, `{"a":1,"c":2}`, `[]`, `"a"`, `null`}},
		{"block of any keys", Shape{Kind: KeyBlock, Rest: &number}, []string{`{}`, `{"17":1}`}, []string{`{"x":"y"}`, `{"x":10}`}},
		{"list", Shape{Kind: ListOf, Item: &number}, []string{`[]`, `[1,2]`}, []string{`[10]`, `1`, `{}`}},
		{"either", Shape{Kind: Either, Forms: []Shape{word, block}}, []string{`"x"`, `{"a":1}`}, []string{`{"b":"x"}`, `1`, `[]`}},
	} {
		s := compile(t, Schema(v.name, v.shape))
		for want, texts := range map[bool][]string{true: v.good, false: v.doubtful} {
			for _, text := range texts {
				value, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
				if err != nil {
					t.Fatal(err)
				}
				if err := s.Validate(value); (err == nil) != want {
					t.Errorf("%s: %s taken: %v, want %v", v.name, text, err == nil, want)
				}
			}
		}
	}
}

// TestSchemaHead: dialect and title stand at the root, what a key means beside
// the key.
func TestSchemaHead(t *testing.T) {
	s := Schema("A file", Shape{Kind: KeyBlock, Keys: []KeyShape{{Key: "a", About: "the first", Shape: Shape{Kind: AnyText}}}})
	if s["$schema"] != Draft || s["title"] != "A file" {
		t.Errorf("%v, %v", s["$schema"], s["title"])
	}
	if a := s["properties"].(map[string]any)["a"].(map[string]any); a["description"] != "the first" {
		t.Errorf("%v", a)
	}
}
