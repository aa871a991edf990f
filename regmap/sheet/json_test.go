package sheet

import (
	"errors"
	"strings"
	"testing"
)

// TestStrictJSON: what the library's own conversions let pass.
// Source: RFC 8259, 4 (names), 6 (numbers), 9 (limits a parser may set).
func TestStrictJSON(t *testing.T) {
	deep := strings.Repeat("[", 100) + strings.Repeat("]", 100)
	for name, text := range map[string]string{
		"a key twice": `{"a": 1, "a": 2}`, "a key twice, escaped": `{"a": 1, "\u0061": 2}`, "a key twice below": `{"x": [{"b": 1, "b": 1}]}`,
		"trailing data": `{"a": 1} x`, "a second document": `{} {}`, "depth": deep, "1e999": `{"a": 1e999}`, "a long number": `{"a": ` + strings.Repeat("9", 60) + `}`,
		"cut off": `{"a": [1, 2`, "nothing": ``, "a comma too many": `{"a": 1,}`, "a leading zero": `{"a": 010}`, "a bare word": `{"a": NaN}`, "broken UTF-8 key cut": "{\"a",
	} {
		v, err := parseJSON("x.json", []byte(text))
		if !errors.Is(err, ErrSource) || v.kind != jsonNull || !strings.Contains(err.Error(), "x.json") || !strings.Contains(err.Error(), "line 1") {
			t.Errorf("%s: %+v, %v", name, v, err)
		}
	}
	if _, err := parseJSON("x.json", []byte("{\n\"a\": 1,\n\"a\": 2}")); err == nil || !strings.Contains(err.Error(), "line 3") {
		t.Errorf("the place of a key given twice: %v", err)
	}
	v, err := parseJSON("x.json", []byte("\uFEFF{\"a\": [true, null, 1.50, \"x: y\"], \"b\": {\"1\": -2}}"))
	if err != nil || v.flow() != `{a: [true, null, 1.50, "x: y"], b: {1: -2}}` {
		t.Errorf("%s, %v", v.flow(), err)
	}
	if n, ok := v.get("b").get("1").integer(); !ok || n != -2 {
		t.Errorf("%d, %v", n, ok)
	}
	if _, ok := v.get("none").integer(); ok || v.has("none") || v.get("b").words() != "" {
		t.Error("an absent value is something")
	}
}
