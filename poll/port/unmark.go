package port

// unmarker takes the marks of damaged characters out of the input. The line
// discipline sends a good FF as FF FF, a damaged character X as FF 00 X and a
// break as FF 00 00 (POSIX.1-2017, 11.2.2, PARMRK). A damaged NUL cannot be
// told from a break and is counted as one. The damaged character itself is
// passed on, so that the frame shown is the frame heard.
type unmarker struct {
	state uint8 // 0: plain, 1: after FF, 2: after FF 00
}

// clean shortens b in place to what it means and counts the damage in it. A
// mark may begin in one call and end in the next.
func (u *unmarker) clean(b []byte) (n int, seen LineErrors) {
	for _, c := range b {
		switch u.state {
		case 0:
			if c == 0xFF {
				u.state = 1
				continue
			}
		case 1:
			if c == 0x00 {
				u.state = 2
				continue
			}
			u.state = 0 // FF FF; anything else cannot come, and is passed on
		case 2:
			u.state = 0
			if c == 0x00 {
				seen.Breaks++
			} else {
				seen.Characters++
			}
		}
		b[n] = c
		n++
	}
	return n, seen
}
