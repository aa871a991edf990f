package doc

import (
	"encoding/json"
	"math/big"
	"strconv"
)

// Draft is the JSON Schema dialect of Schema.
// Source: JSON Schema Core, draft 2020-12, 8.1.1.
const Draft = "https://json-schema.org/draft/2020-12/schema"

// Schema is the JSON Schema of a file with the given root, for editors that
// check while people write. It comes from the shapes that drive the reader, so
// both know the same keys; what one key says about another (a place given
// twice, a limit above its type) only the reader finds. The result marshals to
// JSON and is the caller's own.
//
// It describes the file as a YAML reader gives it, before any meaning: a number
// may stand in quotes, a text may look like a number, and keys are texts.
func Schema(title string, root Shape) map[string]any {
	s := root.schema()
	s["$schema"] = Draft
	s["title"] = title
	return s
}

// schema is one shape and all below it.
func (s Shape) schema() map[string]any {
	switch s.Kind {
	case NameWord:
		return map[string]any{"type": "string", "pattern": NamePattern}
	case WholeNumber:
		return s.whole()
	case DecimalNumber:
		return map[string]any{"type": []string{"number", "string"}, "pattern": decimalPattern.String() + "|" + hexPattern.String()}
	case TrueOrFalse:
		return map[string]any{"type": []string{"boolean", "string"}, "pattern": "^(true|false)$"}
	case TimeSpan:
		return map[string]any{"type": "string", "pattern": timePattern.String()}
	case OneWord:
		return map[string]any{"enum": choices(s.Words)}
	case KeyBlock:
		return s.block()
	case ListOf:
		return map[string]any{"type": "array", "items": s.Item.schema()}
	case Either:
		forms := make([]map[string]any, len(s.Forms))
		for i, f := range s.Forms {
			forms[i] = f.schema()
		}
		return map[string]any{"anyOf": forms}
	case AnyText:
	}
	return map[string]any{"type": []string{"string", "number", "boolean"}}
}

// whole is a whole number within its bounds. The bounds bind numbers, the
// pattern binds numbers in quotes.
// Source: JSON Schema Validation, draft 2020-12, 6.2 and 6.3.
func (s Shape) whole() map[string]any {
	out := map[string]any{"type": []string{"integer", "string"}, "pattern": wholePattern.String() + "|" + hexPattern.String()}
	for key, bound := range map[string]*big.Int{"minimum": s.Low, "maximum": s.High} {
		if bound != nil {
			out[key] = json.Number(bound.String())
		}
	}
	return out
}

// choices are the words of a list, and the numbers and truths that YAML makes
// of those that look so.
func choices(words []string) []any {
	out := make([]any, 0, len(words))
	for _, w := range words {
		out = append(out, w)
		if n, err := strconv.Atoi(w); err == nil {
			out = append(out, n)
		}
		if w == "true" || w == "false" {
			out = append(out, w == "true")
		}
	}
	return out
}

// block is a block of keys; a key it does not have is refused unless Rest says
// what it looks like.
func (s Shape) block() map[string]any {
	out := map[string]any{"type": "object", "additionalProperties": false}
	if s.Rest != nil {
		out["additionalProperties"] = s.Rest.schema()
	}
	keys := make(map[string]any, len(s.Keys))
	var required []string
	for _, k := range s.Keys {
		below := k.Shape.schema()
		below["description"] = k.About
		keys[k.Key] = below
		if k.Required {
			required = append(required, k.Key)
		}
	}
	if len(keys) > 0 {
		out["properties"] = keys
	}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}
