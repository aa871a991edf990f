package draft

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Map is a unit's map as YAML, which loads without fault. from says, in one line
// of printable text, what it was made of.
func (d *Draft) Map(n regmap.Unit, from string) []byte {
	u := d.units[n]
	if u == nil {
		return nil
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "# A first map, made of what was asked of unit %d and answered: %s.\n", n, oneLine(from))
	b.WriteString("# It is no register list. Traffic shows tables, addresses and contents; it does not\n" +
		"# show names, types, orders, scales, units or what a write does. Complete each point\n" +
		"# from the maker's list and check it against an instrument before anyone relies on it.\n")
	u.list(&b)
	if d.beyond > 0 {
		fmt.Fprintf(&b, "# %d more items were asked for than are kept here.\n", d.beyond)
	}
	fmt.Fprintf(&b, "device: Unit %d as heard\n", n)
	b.WriteString("about: First map out of traffic; to be completed by a person.\n")
	u.limits(&b)
	b.WriteString("\npoints:\n")
	for _, i := range u.items() {
		i.write(&b)
	}
	return b.Bytes()
}

// oneLine is text for a comment.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7F {
			return ' '
		}
		return r
	}, s)
}

// list says what was asked.
func (u *unit) list(b *bytes.Buffer) {
	b.WriteString("#\n# Asked:\n")
	for _, a := range u.ranges {
		fmt.Fprintf(b, "#   %02X  %s, %s", uint8(a.function), a.span, times(a.count))
		if a.refused > 0 {
			fmt.Fprintf(b, "; refused %s, %s", times(a.refused), a.why)
		}
		b.WriteByte('\n')
	}
	if u.more > 0 {
		fmt.Fprintf(b, "#   and more ranges, %s\n", times(u.more))
	}
	b.WriteString("\n")
}

func times(n uint64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// limits are the longest reads that were answered; a station may allow more.
func (u *unit) limits(b *bytes.Buffer) {
	var parts []string
	longest := u.reads[0]
	for _, i := range u.items() { // one that was only written may be wider
		if !i.span.Table.Bits() && longest > 0 {
			longest = max(longest, i.span.Count)
		}
	}
	if longest > 0 {
		parts = append(parts, fmt.Sprintf("registers: %d", min(longest, regmap.DefaultLimits.Registers)))
	}
	if n := u.reads[1]; n > 0 {
		parts = append(parts, fmt.Sprintf("coils: %d", min(n, regmap.DefaultLimits.Coils)))
	}
	if len(parts) > 0 {
		fmt.Fprintf(b, "limits: {%s}   # the longest read that was answered; the device may allow more\n", strings.Join(parts, ", "))
	}
}

// write is one point.
func (i *item) write(b *bytes.Buffer) {
	t := i.span.Table
	fmt.Fprintf(b, "  %s-%d:\n    %s: %d\n", t, i.span.First, t, i.span.First)
	kind, why := "uint16", ""
	switch {
	case t.Bits():
		kind = "bool"
	case i.span.Count == 2:
		kind, why = i.guess()
	}
	fmt.Fprintf(b, "    type: %s", kind)
	if why != "" {
		fmt.Fprintf(b, "   # %s", why)
	}
	b.WriteByte('\n')
	if t.Writable() && i.cells[0].written {
		b.WriteString("    write: {}   # was written; say min, max and what it starts\n")
	}
	for n, c := range i.cells {
		fmt.Fprintf(b, "    # %s%s\n", label(i, n), c.words(t.Bits()))
	}
}

// label names a register among several.
func label(i *item, n int) string {
	if len(i.cells) == 1 {
		return ""
	}
	return fmt.Sprintf("address %d ", int(i.span.First)+n)
}

// words is what a cell held.
func (c *cell) words(bits bool) string {
	var parts []string
	for _, v := range c.held[:c.count] {
		if bits {
			parts = append(parts, fmt.Sprint(v))
		} else {
			parts = append(parts, fmt.Sprintf("%04X (%d)", v, v))
		}
	}
	if c.more {
		parts = append(parts, "and others")
	}
	held := "held "
	if len(parts) == 0 {
		return "was written by a mask; what it holds was not seen"
	}
	if !c.read {
		held = "was written and never read: "
	}
	return held + strings.Join(parts, ", ")
}

// guess is a type for two registers that were asked for together: what they held
// last is a float where it is of a size that instruments show.
func (i *item) guess() (kind, why string) {
	first, second := uint32(i.cells[0].last), uint32(i.cells[1].last)
	if v := math.Float32frombits(first<<16 | second); plausible(v) {
		return "float32", fmt.Sprintf("two registers asked for together; as a float %g: a guess", v)
	}
	if v := math.Float32frombits(second<<16 | first); plausible(v) {
		return "float32\n    order: CDAB", fmt.Sprintf("two registers asked for together; as a float, low word first, %g: a guess", v)
	}
	return "uint32", "two registers asked for together; the order of the words is not known"
}

// plausible says whether a float is of a size that instruments show.
func plausible(v float32) bool {
	a := math.Abs(float64(v))
	return a >= 1e-3 && a <= 1e7
}

// A Place is where stations were heard.
type Place struct {
	Host    string // "": a serial line, whose port is not known
	Port    int
	Framing line.Framing
}

// framing is the key of a framing that is not the usual one.
func framing(f, usual line.Framing) string {
	if f == usual || f != line.RTU && f != line.ASCII {
		return ""
	}
	return fmt.Sprintf(", framing: %s", f)
}

// Line is a line file for maps, as YAML: the file of each unit's map, relative
// to the line file's own folder.
func Line(p Place, files map[regmap.Unit]string) []byte {
	var b bytes.Buffer
	b.WriteString("# A first line file, made out of traffic. Check all of it before anything is polled.\n")
	b.WriteString("line: As heard\n")
	switch {
	case p.Host != "":
		fmt.Fprintf(&b, "tcp: {host: %q, port: %d%s}\n", p.Host, p.Port, framing(p.Framing, line.MBAP))
	default:
		fmt.Fprintf(&b, "serial: {port: /dev/ttyUSB0%s}   # port, baud and parity are not known: 19200 8E1 when left out\n", framing(p.Framing, line.RTU))
	}
	b.WriteString("stations:\n")
	for _, u := range slices.Sorted(maps.Keys(files)) {
		fmt.Fprintf(&b, "  %d: {name: unit-%d, map: %q}\n", u, u, files[u])
	}
	return b.Bytes()
}
