package sheet

import (
	"fmt"
	"math/big"
	"strings"
)

// modelType is how a type of the models is read.
type modelType struct {
	typ       string
	registers int    // 0: any
	absent    string // contents that mean 'not implemented'; "" for none
	bits      int
	note      string
}

// modelTypes are the types of the models with their 'not implemented' contents.
// A float's is a NaN (7FC00000), which is bad by itself; an accumulator's is 0,
// which a meter that never counted shows too, so it stays a number.
// Source: SunSpec Information Model Specification, point types and
// unimplemented values.
var modelTypes = map[string]modelType{
	"int16": {"int16", 1, "0x8000", 0, ""}, "uint16": {"uint16", 1, "0xFFFF", 0, ""}, "count": {"uint16", 1, "0xFFFF", 0, ""}, "raw16": {"uint16", 1, "", 0, ""},
	"int32": {"int32", 2, "0x80000000", 0, ""}, "uint32": {"uint32", 2, "0xFFFFFFFF", 0, ""},
	"int64": {"int64", 4, "0x8000000000000000", 0, ""}, "uint64": {"uint64", 4, "0xFFFFFFFFFFFFFFFF", 0, ""},
	"acc16": {"uint16", 1, "", 0, ""}, "acc32": {"uint32", 2, "", 0, ""}, "acc64": {"uint64", 4, "", 0, ""},
	"enum16": {"uint16", 1, "0xFFFF", 0, ""}, "enum32": {"uint32", 2, "0xFFFFFFFF", 0, ""},
	"bitfield16": {"bits", 1, "0xFFFF", 16, ""}, "bitfield32": {"bits", 2, "0xFFFFFFFF", 32, ""},
	"bitfield64": {"uint64", 4, "0xFFFFFFFFFFFFFFFF", 0, "a word of 64 bits, read as one number: a map names the bits of 16 and 32"},
	"float32":    {"float32", 2, "", 0, ""}, "float64": {"float64", 4, "", 0, ""},
	"sunssf": {"int16", 1, "0x8000", 0, ""}, "string": {"string", 0, "", 0, ""},
	"ipaddr": {"uint32", 2, "0", 0, "an internet address as one number"},
}

// point lays out one point, as often as it stands there.
func (c *chain) point(p jsonValue, s *scope, prefix, path string) error {
	size, times, err := sizeOf(p)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	name, typ := p.get("name").words(), p.get("type").words()
	for i := 1; i <= times; i++ {
		place := path + "." + name
		if times > 1 {
			place = fmt.Sprintf("%s[%d]", place, i)
		}
		t, known := modelTypes[typ]
		switch {
		case typ == "pad":
			c.leave(place, "pad", "padding", true)
		case !known:
			c.leave(place, typ+" "+p.get("desc").words(), fmt.Sprintf("a map has no type for %q", clip(typ)), false)
		case t.registers != 0 && t.registers != size:
			c.leave(place, typ, fmt.Sprintf("%s takes %d registers, the model gives %d", typ, t.registers, size), false)
		case t.typ == "string" && size > 125:
			c.leave(place, typ, fmt.Sprintf("a string of %d registers is longer than one read, 125", size), false)
		default:
			it := c.item(p, t, place, size)
			if !it.modelScale(p, s) {
				c.leave(place, typ+" sf "+p.get("sf").words(), "its scale factor is no point of the model", false)
				break
			}
			own := c.pointName(prefix, name)
			if times > 1 {
				own = fmt.Sprintf("%s-%d", own, i)
			}
			it.name = c.taken.free(own)
			c.put(it, size)
			continue
		}
		c.skip(size)
	}
	return nil
}

// pointName is the group's name and the point's.
func (c *chain) pointName(prefix, name string) string {
	long := map[string]string{"ID": "model-id", "L": "model-length"}[name]
	if long == "" {
		if long = nameOf(wordsOf(name)); long == "" {
			long = "point"
		}
		long = strings.TrimPrefix(long, "p-") // the group's name stands before it
	}
	if prefix == "" {
		return nameOf(long)
	}
	return prefix + "-" + long
}

// item makes a point of the model's.
func (c *chain) item(p jsonValue, t modelType, place string, size int) *item {
	it := newItem("model " + place)
	it.typ, it.size, it.source = t.typ, t.bits, p.get("type").words()
	it.about = p.get("label").words()
	if desc := p.get("desc").words(); desc != "" && desc != it.about {
		it.about = strings.TrimPrefix(it.about+": "+desc, ": ")
	}
	if t.typ == "string" {
		it.length = 2 * size
	}
	if t.absent != "" {
		it.absent = []string{t.absent}
	}
	if t.note != "" {
		it.comments = append(it.comments, t.note)
	}
	if strings.HasPrefix(it.source, "acc") {
		it.counter = true
	}
	if p.get("access").words() == "RW" {
		it.write = "{}"
	}
	if u := p.get("units").words(); u != "" {
		if t.typ == "string" || t.typ == "bits" {
			it.about = strings.TrimSpace(it.about + " [" + u + "]")
		} else {
			it.setUnits(u)
		}
	}
	it.symbols(p.get("symbols").list)
	return it
}

// symbols names the numbers of an enumeration or the bits of a word.
func (it *item) symbols(list []jsonValue) {
	taken, numbers := names{}, map[int]bool{}
	for _, s := range list {
		name, n := s.get("name").words(), 0
		n, ok := s.get("value").integer()
		if !ok || name == "" || numbers[n] || it.typ == "bits" && (n < 0 || n >= it.size || nameOf(wordsOf(name)) == "") || it.typ == "string" {
			it.comments = append(it.comments, "symbol not taken: "+name+" "+s.get("value").flow())
			continue
		}
		numbers[n] = true
		if it.typ == "bits" {
			it.bits = append(it.bits, pair{fmt.Sprint(n), taken.free(nameOf(wordsOf(name)))})
		} else {
			it.values = append(it.values, pair{fmt.Sprint(n), taken.free(name)})
		}
	}
}

// modelScale gives a point its scale factor: a power of ten in another
// register, read together, or a constant one. false: there is no such factor.
func (it *item) modelScale(p jsonValue, s *scope) bool {
	if !p.has("sf") || it.typ == "string" || it.typ == "bits" {
		return true
	}
	if n, ok := p.get("sf").integer(); ok {
		if n < -10 || n > 10 {
			return false
		}
		if n != 0 {
			it.scale = "{times: " + text(powerOfTen(n)) + "}"
		}
		return true
	}
	a, ok := s.find(p.get("sf").words())
	if ok {
		it.scale = fmt.Sprintf("{exponent: {holding-register: %d}}", a)
	}
	return ok
}

func powerOfTen(n int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	r := new(big.Rat).SetInt(p)
	if n < 0 {
		r.Inv(r)
	}
	return r
}
