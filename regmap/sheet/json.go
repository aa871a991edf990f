package sheet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"
)

// jsonKind is which of its forms a JSON value has.
type jsonKind uint8

const (
	jsonNull jsonKind = iota
	jsonBool
	jsonNumber
	jsonText
	jsonList
	jsonObject
)

// jsonValue is one JSON value. The zero jsonValue is absent and acts as null.
type jsonValue struct {
	kind jsonKind
	yes  bool
	text string // jsonText; a jsonNumber as written
	list []jsonValue
	keys []string // jsonObject, in the order of the file
	vals []jsonValue
}

// Bounds of one JSON document.
const (
	mostDepth  = 64
	mostValues = 1_000_000
)

// jsonReader reads a document token by token, because the library's own
// conversions take the last of two equal keys and say nothing.
type jsonReader struct {
	d    *json.Decoder
	text []byte
	left int
}

// parseJSON reads one JSON document, strictly: a key given twice, anything
// behind the document, nesting beyond 64 and a number that no float64 can hold
// are refused with their place. The error wraps ErrSource.
// Source: RFC 8259, 4 (names should be unique), 6 (numbers), 9 (limits).
func parseJSON(source string, text []byte) (jsonValue, error) {
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	r := &jsonReader{d: json.NewDecoder(bytes.NewReader(text)), text: text, left: mostValues}
	r.d.UseNumber()
	v, err := r.value(0)
	if err == nil {
		if _, next := r.d.Token(); !errors.Is(next, io.EOF) {
			err = errors.New("something follows behind the end of the document")
		}
	}
	if err != nil {
		line := 1 + bytes.Count(text[:min(int(r.d.InputOffset()), len(text))], []byte("\n"))
		return jsonValue{}, sourceError(source, "line %d: %v", line, err)
	}
	return v, nil
}

func (r *jsonReader) value(depth int) (jsonValue, error) {
	token, err := r.token()
	if err != nil {
		return jsonValue{}, err
	}
	return r.rest(token, depth)
}

func (r *jsonReader) token() (json.Token, error) {
	token, err := r.d.Token()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the document ends too early")
	}
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "invalid "))
	}
	if r.left--; r.left < 0 {
		return nil, fmt.Errorf("more than %d values in one document", mostValues)
	}
	return token, nil
}

// rest reads the value that a token begins.
func (r *jsonReader) rest(token json.Token, depth int) (jsonValue, error) {
	switch t := token.(type) {
	case nil:
		return jsonValue{}, nil
	case bool:
		return jsonValue{kind: jsonBool, yes: t}, nil
	case string:
		return jsonValue{kind: jsonText, text: t}, nil
	case json.Number:
		if _, err := strconv.ParseFloat(t.String(), 64); err != nil || len(t) > longestNumber {
			return jsonValue{}, fmt.Errorf("the number %s is beyond what is read", clip(t.String()))
		}
		return jsonValue{kind: jsonNumber, text: t.String()}, nil
	}
	if depth >= mostDepth {
		return jsonValue{}, fmt.Errorf("nested more than %d deep", mostDepth)
	}
	if token == json.Delim('[') {
		return r.listing(depth)
	}
	return r.object(depth)
}

func (r *jsonReader) listing(depth int) (jsonValue, error) {
	v := jsonValue{kind: jsonList}
	for {
		token, err := r.token()
		if err != nil {
			return jsonValue{}, err
		}
		if token == json.Delim(']') {
			return v, nil
		}
		item, err := r.rest(token, depth+1)
		if err != nil {
			return jsonValue{}, err
		}
		v.list = append(v.list, item)
	}
}

func (r *jsonReader) object(depth int) (jsonValue, error) {
	v := jsonValue{kind: jsonObject}
	seen := map[string]bool{}
	for {
		token, err := r.token()
		if err != nil {
			return jsonValue{}, err
		}
		key, ok := token.(string)
		if !ok {
			return v, nil
		}
		if seen[key] {
			return jsonValue{}, fmt.Errorf("the key %q is given twice", clip(key))
		}
		seen[key] = true
		item, err := r.value(depth + 1)
		if err != nil {
			return jsonValue{}, err
		}
		v.keys, v.vals = append(v.keys, key), append(v.vals, item)
	}
}

// get is the value under a key; absent when there is none.
func (v jsonValue) get(key string) jsonValue {
	for i, k := range v.keys {
		if k == key {
			return v.vals[i]
		}
	}
	return jsonValue{}
}

func (v jsonValue) has(key string) bool {
	for _, k := range v.keys {
		if k == key {
			return true
		}
	}
	return false
}

// words is a text; "" for anything else.
func (v jsonValue) words() string {
	if v.kind == jsonText {
		return clean(v.text)
	}
	return ""
}

// integer is a whole number, given as a number or as a text of digits.
func (v jsonValue) integer() (int, bool) {
	if v.kind != jsonNumber && v.kind != jsonText {
		return 0, false
	}
	r, ok := v.rat()
	if !ok || !r.IsInt() || !r.Num().IsInt64() {
		return 0, false
	}
	return int(r.Num().Int64()), true
}

// rat is a number exactly.
func (v jsonValue) rat() (*big.Rat, bool) {
	if (v.kind != jsonNumber && v.kind != jsonText) || len(v.text) > longestNumber || !plainNumber.MatchString(v.text) {
		return nil, false
	}
	return new(big.Rat).SetString(v.text)
}

// flow writes a value as YAML in flow style, as maps have it.
func (v jsonValue) flow() string {
	switch v.kind {
	case jsonBool:
		return strconv.FormatBool(v.yes)
	case jsonNumber:
		return v.text
	case jsonText:
		return quote(clean(v.text))
	case jsonList:
		parts := make([]string, len(v.list))
		for i, item := range v.list {
			parts[i] = item.flow()
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case jsonObject:
		parts := make([]string, len(v.keys))
		for i, k := range v.keys {
			parts[i] = flowKey(clean(k)) + ": " + v.vals[i].flow()
		}
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return "null"
}

// flowKey writes a key: numbers and runs of numbers stay plain.
func flowKey(k string) string {
	if k != "" && strings.Trim(k, "0123456789.-") == "" {
		return k
	}
	return quote(k)
}
