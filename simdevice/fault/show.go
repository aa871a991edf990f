package fault

import (
	"fmt"
	"strings"
)

// String is the script's text. Parse gives the same Script back.
func (s Script) String() string {
	var b strings.Builder
	if s.Seed != 0 {
		fmt.Fprintf(&b, "seed %d\n", s.Seed)
	}
	for _, r := range s.Rules {
		b.WriteString(r.String() + "\n")
	}
	return b.String()
}

// String is the rule's line.
func (r Rule) String() string {
	head := r.Direction.String()
	if r.OfUnit {
		head += fmt.Sprintf(" of unit %d", r.Unit)
	}
	parts := []string{head + ":", r.Verb.String()}
	if int(r.Verb) < len(verbs) && r.Verb > 0 {
		parts = append(parts, verbs[r.Verb].show(r))
	}
	parts = append(parts, r.When.String())
	return strings.Join(strings.Fields(strings.Join(parts, " ")), " ")
}

// String is the conditions as written in a rule, "" for none.
func (c Condition) String() string {
	var parts []string
	add := func(given bool, format string, arg any) {
		if given {
			parts = append(parts, fmt.Sprintf(format, arg))
		}
	}
	add(c.Chance != 0, "with %v", c.Chance)
	add(c.Every != 0, "every %d", c.Every)
	add(c.From != 0, "from %d", c.From)
	add(c.To != 0, "to %d", c.To)
	add(c.Since != 0, "from %s", durationText(c.Since))
	add(c.Until != 0, "to %s", durationText(c.Until))
	add(c.Times == 1, "once%.0s", "")
	add(c.Times > 1, "times %d", c.Times)
	add(c.Overtake, "overtake%.0s", "")
	return strings.Join(parts, " ")
}
