package port

import (
	"bytes"
	"testing"
)

// What a line discipline with PARMRK sends, and what it means.
var markVectors = []struct {
	src   string // document and clause that fix the answer
	marks []byte
	want  []byte
	seen  LineErrors
}{
	{"POSIX.1-2017, 11.2.2: ordinary characters as they are",
		[]byte{0x11, 0x03, 0x00, 0xFE}, []byte{0x11, 0x03, 0x00, 0xFE}, LineErrors{}},
	{"POSIX.1-2017, 11.2.2: without ISTRIP a valid FF is given as FF FF",
		[]byte{0xFF, 0xFF, 0x00, 0x41}, []byte{0xFF, 0x00, 0x41}, LineErrors{}},
	{"POSIX.1-2017, 11.2.2: framing or parity error in 41 is given as FF 00 41",
		[]byte{0x30, 0xFF, 0x00, 0x41, 0x31}, []byte{0x30, 0x41, 0x31}, LineErrors{Characters: 1}},
	{"POSIX.1-2017, 11.2.2: a break is given as FF 00 00",
		[]byte{0xFF, 0x00, 0x00, 0x31}, []byte{0x00, 0x31}, LineErrors{Breaks: 1}},
	{"the same: a damaged FF, then a good one, then a damaged one",
		[]byte{0xFF, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x12}, []byte{0xFF, 0xFF, 0x12}, LineErrors{Characters: 2}},
}

func TestC11Unmark(t *testing.T) {
	for _, v := range markVectors {
		for cut := range len(v.marks) + 1 { // a mark may be cut anywhere by a read
			var u unmarker
			var got []byte
			var seen LineErrors
			for _, part := range [][]byte{v.marks[:cut], v.marks[cut:]} {
				b := bytes.Clone(part)
				n, s := u.clean(b)
				got = append(got, b[:n]...)
				seen.Characters += s.Characters
				seen.Breaks += s.Breaks
			}
			if !bytes.Equal(got, v.want) || seen != v.seen {
				t.Errorf("%s: % x cut at %d = % x, %+v; want % x, %+v", v.src, v.marks, cut, got, seen, v.want, v.seen)
			}
		}
	}
}
