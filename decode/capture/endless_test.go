package capture

import (
	"bytes"
	"encoding/binary"
	"io"
	"runtime"
	"testing"
)

// generated is a file that is made while it is read.
type generated struct {
	left  int
	ready []byte
	make  func() []byte
}

func (g *generated) Read(b []byte) (int, error) {
	if len(g.ready) == 0 {
		if g.left <= 0 {
			return 0, io.EOF
		}
		g.ready = g.make()
		g.left -= len(g.ready)
	}
	n := copy(b, g.ready)
	g.ready = g.ready[n:]
	return n, nil
}

// inUse is the heap that is reachable now.
func inUse() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// Files and lines without end are read in the same memory at their end as at
// their beginning: at most 16 MiB.
func TestEndlessInputIsFlat(t *testing.T) {
	const size = 32 << 20
	flat := func(name string, read func(emit func(Item)) error) {
		before, most, items := inUse(), uint64(0), 0
		err := read(func(Item) {
			if items++; items%100000 == 0 {
				most = max(most, inUse())
			}
		})
		if err != nil || items < 200000 || most > before+16<<20 {
			t.Errorf("%s: %d items, %d bytes in use above %d, %v", name, items, most, before, err)
		}
	}
	k := newTalk()
	k.open()
	file := pcap(binary.LittleEndian, false, 1, k.packets...)
	id := uint16(0)
	grow := func() []byte {
		k.packets = k.packets[:0]
		for range 50 {
			q, a := reads(id, 17, 0, 10)
			k.say(true, q)
			if id++; id%7 != 0 {
				k.say(false, a)
			}
		}
		return pcap(binary.LittleEndian, false, 1, k.packets...)[24:]
	}
	flat("capture", func(emit func(Item)) error {
		_, err := Read(io.MultiReader(bytes.NewReader(file), &generated{left: size, make: grow}), Settings{}, emit)
		return err
	})
	pair := append(rtu(17, 3, 0, 0, 0, 4), rtu(17, 3, 8, 0, 1, 2, 3, 4, 5, 6, 7)...)
	turn := bytes.Repeat(append(pair, 0x55, 0xAA), 100)
	flat("raw bytes", func(emit func(Item)) error {
		return ReadBytes(&generated{left: size / 4, make: func() []byte { return turn }}, Settings{}, emit)
	})
}
