package sheet

import (
	"fmt"
	"regexp"
	"strings"

	"plumbline/regmap"
)

// A File is a source with its text.
type File struct {
	Name string
	Text []byte
}

// DefaultBase is where the marker "SunS" usually lies: protocol address 40000,
// which is 0x9C40 on the wire and not the first holding register. The others
// are 50000 and 0.
// Source: SunSpec Information Model Specification, discovery.
const DefaultBase regmap.Address = 40000

// chain is a run of models on its way into a map.
type chain struct {
	*Result
	o     Options
	at    int // address of the next register
	model string
	taken names
	unmap int // registers in a row that became no point
	gap   int
}

// scope is a group while it is laid out, for the names of its scale factors.
type scope struct {
	up      *scope
	factors map[string]int // sunssf points of the group: name -> address
}

func (s *scope) find(name string) (int, bool) {
	for ; s != nil; s = s.up {
		if a, ok := s.factors[name]; ok {
			return a, true
		}
	}
	return 0, false
}

// IsModel says whether a text looks like a model file.
func IsModel(text []byte) bool {
	v, err := parseJSON("", text)
	return err == nil && v.has("group") && v.has("id")
}

// Models makes a map of SunSpec models, chained in the order given: the marker
// at the base, each model with its header of ID and length, the end marker.
// Every error wraps ErrSource.
func Models(files []File, o Options) (*Result, error) {
	c := &chain{Result: &Result{Kind: "models"}, o: o, at: int(o.Base), taken: names{}}
	if c.o.Count == 0 {
		c.o.Count = 1
	}
	c.marker()
	var device []string
	for i, f := range files {
		v, err := parseJSON(f.Name, f.Text)
		if err != nil {
			return nil, err
		}
		id, ok := v.get("id").integer()
		group := v.get("group")
		if !ok || id < 1 || id > 65535 || group.kind != jsonObject {
			return nil, sourceError(f.Name, "a model has an id from 1 to 65535 and a group; this has not")
		}
		if i == 0 && id != 1 {
			c.note("model %d comes first; a device begins with the common model, 1, so every address here shifts by what its chain has before it", id)
		}
		label := group.get("label").words()
		device = append(device, strings.TrimSpace(fmt.Sprintf("model %d %s", id, label)))
		c.model = fmt.Sprintf("model %d", id)
		first, at := len(c.items), c.at
		if err := c.group(group, nil, nameOf(wordsOf(group.get("name").words())), fmt.Sprint(id)); err != nil {
			return nil, sourceError(f.Name, "%v", err)
		}
		c.header(c.items[first:], id, at)
	}
	c.end()
	c.head.device = strings.Join(device, ", ")
	if o.Device != "" {
		c.head.device = o.Device
	}
	c.head.comments = []string{"Made by plumbline import of SunSpec models: " + strings.Join(device, ", ") + "."}
	c.head.gap = c.gap
	c.note("the base is protocol address %d (0x%04X on the wire)", o.Base, int(o.Base))
	if c.at > regmap.TableSize {
		return nil, sourceError(files[len(files)-1].Name, "the models take %d registers from %d on and go beyond address 65535", c.at-int(o.Base), o.Base)
	}
	if err := c.settle(files[0].Name); err != nil {
		return nil, err
	}
	return c.Result, nil
}

// marker is the word that a chain begins with: 5375 6E53.
func (c *chain) marker() {
	it := newItem("base")
	it.source, it.about = "the marker SunS", "Marker of the chain of models: SunS"
	it.name, it.typ, it.length = c.taken.free("marker"), "string", 4
	c.holds(it, "SunS")
	c.put(it, 2)
}

// holds says what a point always holds in a station of the map, so that a
// client finds the chain in it.
func (c *chain) holds(it *item, value string) {
	c.head.simulate = append(c.head.simulate, pair{it.name, value})
}

// header gives a model's first two points, its ID and its length, what they
// hold; the length counts the registers behind them.
func (c *chain) header(items []*item, id, at int) {
	for _, it := range items {
		switch it.address {
		case at:
			c.holds(it, fmt.Sprint(id))
		case at + 1:
			c.holds(it, fmt.Sprint(c.at-at-2))
		}
	}
}

// end is the header that closes a chain: ID FFFF and length 0.
func (c *chain) end() {
	it := newItem("end")
	it.source, it.about = "the end marker", "End of the chain of models: 65535"
	it.name, it.typ = c.taken.free("end-of-models"), "uint16"
	c.holds(it, "65535")
	c.put(it, 1)
	it = newItem("end")
	it.source, it.about = "the end marker", "Length of the end marker: 0"
	it.name, it.typ = c.taken.free("end-of-models-length"), "uint16"
	c.put(it, 1)
}

// put lays an item at the next address.
func (c *chain) put(it *item, registers int) {
	it.table, it.address = regmap.HoldingRegister, c.at
	c.items = append(c.items, it)
	c.at += registers
	c.unmap = 0
}

// skip goes past registers that become no point.
func (c *chain) skip(registers int) {
	c.at += registers
	c.unmap += registers
	c.gap = max(c.gap, c.unmap)
}

// group lays out a group's points, then the groups in it.
func (c *chain) group(g jsonValue, up *scope, prefix, path string) error {
	s := &scope{up: up, factors: map[string]int{}}
	if err := c.factors(g, s); err != nil {
		return err
	}
	for _, p := range g.get("points").list {
		if err := c.point(p, s, prefix, path); err != nil {
			return err
		}
	}
	for _, inner := range g.get("groups").list {
		name := nameOf(wordsOf(inner.get("name").words()))
		times, single, err := c.times(inner, path)
		if err != nil {
			return err
		}
		for i := 1; i <= times; i++ {
			below, place := prefix+"-"+name, path+"."+inner.get("name").words()
			if !single {
				below, place = fmt.Sprintf("%s-%d", below, i), fmt.Sprintf("%s[%d]", place, i)
			}
			if err := c.group(inner, s, strings.Trim(below, "-"), place); err != nil {
				return err
			}
			if c.at > regmap.TableSize {
				return fmt.Errorf("%s goes beyond address 65535", path)
			}
		}
	}
	return nil
}

// withoutIndex takes the number of a repeated group out of a path.
var withoutIndex = regexp.MustCompile(`\[[0-9]+\]`)

// times is how often a group stands there; single when it cannot repeat.
func (c *chain) times(g jsonValue, path string) (times int, single bool, err error) {
	count := g.get("count")
	n, isNumber := count.integer()
	switch {
	case !g.has("count"):
		return 1, true, nil
	case isNumber && n > 0:
		return n, n == 1, nil
	case count.kind == jsonText || n == 0:
		by := "the model's length"
		if count.kind == jsonText {
			by = "its point " + count.words()
		}
		c.note("%s.%s repeats as often as %s says; %d taken here", withoutIndex.ReplaceAllString(path, ""), g.get("name").words(), by, c.o.Count)
		return c.o.Count, false, nil
	}
	return 0, false, fmt.Errorf("%s: a group cannot repeat %d times", path, n)
}

// factors finds the addresses of a group's scale factors, which may stand
// behind the points they scale.
func (c *chain) factors(g jsonValue, s *scope) error {
	at := c.at
	for _, p := range g.get("points").list {
		size, n, err := sizeOf(p)
		if err != nil {
			return err
		}
		if p.get("type").words() == "sunssf" {
			s.factors[p.get("name").words()] = at
		}
		at += size * n
	}
	return nil
}

// sizeOf is how many registers a point takes, and how often it stands there.
func sizeOf(p jsonValue) (size, times int, err error) {
	name := p.get("name").words()
	size, ok := p.get("size").integer()
	if !ok || size < 1 || size > regmap.TableSize || name == "" {
		return 0, 0, fmt.Errorf("point %q has no size in registers", name)
	}
	times = 1
	if p.has("count") {
		if times, ok = p.get("count").integer(); !ok || times < 1 || times > regmap.TableSize {
			return 0, 0, fmt.Errorf("point %q repeats %s times", name, p.get("count").flow())
		}
	}
	return size, times, nil
}
