package simdevice

import (
	"strings"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// The objects of Read Device Identification that a station has: the basic
// ones, 0 to 2, and the regular ones, 3 to 6.
// Source: V1.1b3, 6.21, table of object ids (p43).
const (
	basicObjects   = 3
	regularObjects = 7
)

// conformity is the level that a station answers at: regular identification,
// stream access and individual access. Source: V1.1b3, 6.21 (p44).
const conformity = 0x82

// objectsAt is where the objects of an answer begin, and objectHead the bytes
// of an object's id and length. Source: V1.1b3, 6.21.
const (
	objectsAt  = 7
	objectHead = 2
)

// maxObject is the longest value that fits an answer, because an object is
// never split. Source: V1.1b3, 4.1 and 6.21.
const maxObject = frame.MaxPDU - objectsAt - objectHead

// identity is the values of the objects, by id.
type identity [regularObjects]string

// newIdentity names the maker of the answers, plumbline, and says plainly that
// they are simulated; the product is the one that the map describes.
func newIdentity(m *regmap.Map) identity {
	revision := m.Revision
	if revision == "" {
		revision = "not stated"
	}
	id := identity{
		0: "plumbline",                // VendorName
		1: "simulated station",        // ProductCode
		2: revision,                   // MajorMinorRevision
		3: "none (simulated station)", // VendorUrl
		4: m.Device,                   // ProductName
		5: "station in software",      // ModelName
		6: "simulated, not a device",  // UserApplicationName
	}
	for i, value := range id {
		id[i] = ascii(value)
	}
	return id
}

// ascii is a text as the objects carry it: printable ASCII, anything else as a
// question mark, cut to what fits an answer.
func ascii(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
	return s[:min(len(s), maxObject)]
}

// answer appends the answer to Read Device Identification. A stream begins
// again at object 0 where the object asked for is not one of its kind; of a
// single object that is exception 02. A client that asks above the station's
// level is answered at the station's. Source: V1.1b3, 6.21 (p44-45).
func (id *identity) answer(dst []byte, q frame.Request) []byte {
	last, first := regularObjects, int(q.Object)
	switch {
	case q.Code == frame.DeviceIDObject && first >= regularObjects:
		return except(dst, q.Function, frame.IllegalDataAddress)
	case q.Code == frame.DeviceIDObject:
		last = first + 1
	case q.Code == frame.DeviceIDBasic:
		last = basicObjects
	}
	if first >= last {
		first = 0
	}
	begin := len(dst)
	dst = append(dst, byte(q.Function), q.MEI, q.Code, conformity, 0x00, 0x00, 0x00)
	for i := first; i < last; i++ {
		if len(dst)-begin+objectHead+len(id[i]) > frame.MaxPDU {
			dst[begin+4], dst[begin+5] = 0xFF, byte(i) // more follows, and from where
			break
		}
		dst = append(append(dst, byte(i), byte(len(id[i]))), id[i]...)
		dst[begin+6]++
	}
	return dst
}
