package sheet

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

const ownNumber = `(-?[0-9]+(?:\.[0-9]+)?(?:/[0-9]+)?)`

var (
	ownTimes    = regexp.MustCompile(`^times ` + ownNumber + `(?: plus ` + ownNumber + `)?$`)
	ownSpan     = regexp.MustCompile(`^(square root, )?raw ` + ownNumber + `\.\.` + ownNumber + ` to ` + ownNumber + `\.\.` + ownNumber + `(?:, cut-off ` + ownNumber + ` %)?$`)
	ownCurve    = regexp.MustCompile(`^table (\[` + ownNumber + `, ` + ownNumber + `\](?: |$))+$`)
	ownPower    = regexp.MustCompile(`^(?:(.*), )?power of ten in [0-9]+ \(address ([0-9]+)\)$`)
	ownRange    = regexp.MustCompile(`^range from ` + ownNumber + ` to ` + ownNumber + `$`)
	ownSetPoint = regexp.MustCompile(`^set-point(?: from ` + ownNumber + `)?(?: to ` + ownNumber + `)?$`)
	ownAbsent   = regexp.MustCompile(`^no value: ((?:0x[0-9A-F]+(?:, )?)+)$`)
	ownTime     = regexp.MustCompile(`^(?:[0-9]+(?:\.[0-9]+)?(?:h|m|s|ms|us|µs|ns))+$`)
)

// ownScale reads a scale as our lists say it.
func ownScale(s string, it *item) (scale string, ok bool) {
	var parts []pair
	if m := ownPower.FindStringSubmatch(s); m != nil {
		parts = append(parts, pair{"exponent", fmt.Sprintf("{%s: %s}", it.table, m[2])})
		if s = m[1]; s == "times 1" || s == "" {
			return flow(parts), true
		}
	}
	s, clamped := strings.CutSuffix(s, ", clamped")
	if m := ownTimes.FindStringSubmatch(s); m != nil {
		parts = append(parts, pair{"times", m[1]})
		if m[2] != "" {
			parts = append(parts, pair{"plus", m[2]})
		}
	} else if m := ownSpan.FindStringSubmatch(s); m != nil {
		span := []pair{{"raw", "[" + m[2] + ", " + m[3] + "]"}, {"value", "[" + m[4] + ", " + m[5] + "]"}}
		if m[6] != "" {
			span = append(span, pair{"cutoff", m[6]})
		}
		if m[1] != "" {
			span = []pair{{"root", flow(span)}}
		}
		parts = append(parts, span...)
	} else if ownCurve.MatchString(s) {
		parts = append(parts, pair{"table", "[" + strings.ReplaceAll(strings.TrimPrefix(s, "table "), "] [", "], [") + "]"})
	} else {
		return "", false
	}
	if clamped {
		parts = append(parts, pair{"clamp", "true"})
	}
	return flow(parts), !strings.Contains(s, "/") // a fraction has no end in decimals
}

// ownAccess reads what our lists say about reading and writing beyond 'read'
// and 'read, write'.
func ownAccess(s string, it *item) (access, bool) {
	if hold, ok := strings.CutPrefix(s, "read, pulse of "); ok && ownTime.MatchString(hold) {
		it.writing = append(it.writing, pair{"hold", hold})
		return access{true, true}, true
	}
	if s == "read, changes by it" {
		it.extra = append(it.extra, pair{"changes-on-read", "true"})
		return access{true, false}, true
	}
	return access{}, false
}

// takeOurs takes what our own lists say in the columns for limits and further
// keys; words that are not ours are left to the reader of other lists.
func (it *item) takeOurs(e *entry) error {
	for _, key := range []struct {
		has bool
		pair
	}{{e.typ.inverse, pair{"active", "0"}}, {e.typ.signal, pair{"signal", "4-20mA"}}} {
		if key.has {
			it.extra = append(it.extra, key.pair)
		}
	}
	it.counter = it.counter || e.typ.counter
	var rest []string
	if e.t.own {
		rest = ownLimits(e.get(roleRange), it)
	}
	if rest = append(rest, ownKeys(e.get(roleAlso), it)...); len(rest) > 0 {
		it.comments = append(it.comments, "not understood: "+strings.Join(rest, "; "))
	}
	if len(it.writing) > 0 && it.write != "" {
		it.write = flow(it.writing)
	}
	return nil
}

// ownLimits reads alarms, contents that mean 'no value', the range and the
// limits of writing; rest are the parts that are not understood.
func ownLimits(s string, it *item) (rest []string) {
	for _, part := range ownParts(s) {
		alarm, isAlarm := strings.CutPrefix(part, "alarm: ")
		switch keys, ok := ownAlarm(alarm); {
		case isAlarm && ok:
			it.extra = append(it.extra, pair{"alarm", keys})
		case part == "alarm when active":
			it.extra = append(it.extra, pair{"alarm", "true"})
		case ownRange.MatchString(part):
			m := ownRange.FindStringSubmatch(part)
			it.extra = append(it.extra, pair{"range", "[" + m[1] + ", " + m[2] + "]"})
		case ownSetPoint.MatchString(part):
			m := ownSetPoint.FindStringSubmatch(part)
			for i, key := range []string{"min", "max"} {
				if m[i+1] != "" {
					it.writing = append(it.writing, pair{key, m[i+1]})
				}
			}
		case ownAbsent.MatchString(part):
			it.absent = strings.Split(ownAbsent.FindStringSubmatch(part)[1], ", ")
		default:
			rest = append(rest, part)
		}
	}
	return rest
}

// ownAlarm reads alarm limits: "high 2.6, low 0.3, delay 5s, latch".
func ownAlarm(s string) (string, bool) {
	var keys []pair
	for _, part := range strings.Split(s, ", ") {
		key, value, _ := strings.Cut(part, " ")
		switch {
		case part == "latch":
			key, value = "latch", "true"
		case slices.Contains([]string{"high-high", "high", "low", "low-low", "deadband"}, key) && plainNumber.MatchString(value):
		case (key == "delay" || key == "off-delay") && ownTime.MatchString(value):
		default:
			return "", false
		}
		keys = append(keys, pair{key, value})
	}
	return flow(keys), true
}

// ownKeys reads further keys of a point; rest are those that are not
// understood.
func ownKeys(s string, it *item) (rest []string) {
	for _, part := range ownParts(s) {
		key, value, _ := strings.Cut(part, " ")
		number, named := plainNumber.MatchString(value), ownName.MatchString(value)
		switch {
		case key == "decimals" && number && len(value) == 1:
			it.decimals = int(value[0] - '0')
		case slices.Contains([]string{"every", "heartbeat", "changes-within"}, key) && ownTime.MatchString(value), key == "together" && named:
			it.extra = append(it.extra, pair{key, value})
		case part == "overlay":
			it.extra = append(it.extra, pair{key, "true"})
		case part == "changes-on-read": // the access column has it too
		case key == "terminal" || key == "owner":
			it.extra = append(it.extra, pair{key, quote(value)})
		case key == "step" && number, key == "function" && number, key == "by" && named, key == "read-back" && value != "", key == "outside" && named:
			it.writing = append(it.writing, pair{key, quoteWord(value)})
		case key == "only-when":
			point, is, ok := strings.Cut(value, " is ")
			if !ok {
				rest = append(rest, part)
				continue
			}
			it.onlyWhen(point, is)
		default:
			rest = append(rest, part)
		}
	}
	return rest
}

// quoteWord is a number or a name as it is, else quoted.
func quoteWord(s string) string {
	if plainNumber.MatchString(s) {
		return s
	}
	return quote(s)
}

// onlyWhen adds a condition of writing.
func (it *item) onlyWhen(point, is string) {
	more := quoteWord(point) + ": " + quoteWord(is)
	for i, p := range it.writing {
		if p.key == "only-when" {
			it.writing[i].value = strings.TrimSuffix(p.value, "}") + ", " + more + "}"
			return
		}
	}
	it.writing = append(it.writing, pair{"only-when", "{" + more + "}"})
}
