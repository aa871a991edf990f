package agree

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
)

// alsoOf is what else a map says of a point, in words that regmap/sheet reads
// back: "key value" between semicolons.
func alsoOf(p *regmap.Point) string {
	var out []string
	add := func(has bool, format string, args ...any) {
		if has {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	lasts := func(key string, d time.Duration) { add(d > 0, "%s %s", key, d) }
	text := func(key, s string) { add(s != "", "%s %s", key, whole(s)) }
	add(p.Decimals >= 0, "decimals %d", p.Decimals)
	lasts("every", p.Every)
	text("together", p.Together)
	lasts("heartbeat", p.Heartbeat)
	lasts("changes-within", p.Within)
	add(p.OnRead, "changes-on-read")
	add(p.Overlay, "overlay")
	if w := p.Write; w != nil {
		text("step", digits(w.Step))
		add(w.Function > 0, "function %d", w.Function)
		text("by", w.By)
		for _, c := range w.OnlyWhen {
			add(true, "only-when %s is %s", c.Point, whole(c.Value))
		}
		text("read-back", w.ReadBack)
		add(w.Outside != regmap.OutsideLimit, "outside %s", regmap.OutsideNames[w.Outside])
	}
	text("terminal", p.Terminal)
	text("owner", p.Owner)
	return strings.Join(out, "; ")
}

// digits are a limit's digits; "" for none.
func digits(r *big.Rat) string {
	if r == nil {
		return ""
	}
	return regmap.Digits(r)
}

// whole is a text that stays in one piece between semicolons: quoted where it
// holds one.
func whole(s string) string {
	if strings.ContainsAny(s, `;"`) {
		return strconv.Quote(s)
	}
	return s
}

// Unlisted is what of a map its register list does not say, for whoever means
// to make the map again from the list.
func Unlisted(m *regmap.Map) (words []string) {
	for _, key := range slices.Sorted(maps.Keys(m.Blocks)) {
		words = append(words, key+": it belongs to the station in software")
	}
	places := map[doc.Pos]bool{}
	for i := range m.Points {
		at := m.Points[i].Pos
		if places[at] {
			return append(words, "groups: their points are listed one by one")
		}
		places[at] = true
	}
	return words
}

// mapRows is what a map says of itself, key by key, for whoever reads the list
// back.
func mapRows(m *regmap.Map) paper.Table {
	t := paper.Table{Sheet: "Map", Data: true, Columns: []paper.Column{{Head: "Key of the map"}, {Head: "Value"}}}
	add := func(key, value string) {
		if value != "" {
			t.Rows = append(t.Rows, paper.Entries(key, value))
		}
	}
	add("device", m.Device)
	add("about", m.About)
	add("revision", m.Revision)
	add("date", m.Date)
	add("author", m.Author)
	for _, a := range m.Agreed {
		add("agreed", fmt.Sprintf("%s; %s; %s", whole(a.Who), whole(a.For), whole(a.Date)))
	}
	l, d := m.Layout().Limits(), regmap.DefaultLimits
	for _, row := range []struct {
		key     string
		is, was int
	}{{"registers", l.Registers, d.Registers}, {"coils", l.Coils, d.Coils}, {"write-registers", l.WriteRegisters, d.WriteRegisters}, {"write-coils", l.WriteCoils, d.WriteCoils}, {"gap", l.Gap, d.Gap}} {
		if row.is != row.was {
			add("limits."+row.key, fmt.Sprint(row.is))
		}
	}
	for _, table := range regmap.Tables {
		for _, b := range blocksOf(m, table) {
			if b.use == hole {
				add("holes."+table.String(), fmt.Sprintf("%d-%d", b.First, b.Last()))
			}
		}
	}
	return t
}
