package port

import (
	"fmt"

	"plumbline/regmap/line"
)

// Options is what a line file does not say about a port. The zero Options is
// that of an RTU line.
type Options struct {
	DataBits int // 7 (ASCII) or 8; 0 is 8. Source: Modbus over Serial Line V1.02, 2.5.1 and 2.5.2

	// ReadOnly only receives: Write answers ErrReadOnly, and neither DTR nor RTS
	// is switched, save that RTS goes to listening where it turns the line. What
	// the system itself does on opening is not ours to stop: Linux raises both
	// lines when a closed port is opened (tty_port_block_til_ready). They stay so
	// when it is closed, because HUPCL is off.
	ReadOnly bool
}

// LineErrors counts the characters that arrived damaged since the port was
// opened. A frame during which a count rose is not to be trusted, whatever
// its check says.
type LineErrors struct {
	Characters int // parity or framing errors
	Breaks     int // the line was held longer than a character
}

// MostBaud is the highest speed accepted, in bit/s: above what adapters do,
// and far below overflow of the timing. Ours.
const MostBaud = 12_000_000

// settingsFault is what is wrong with settings, "" for nothing.
func settingsFault(s line.Serial, o Options) string {
	switch {
	case s.Baud < 50 || s.Baud > MostBaud:
		return fmt.Sprintf("baud %d; allowed is 50 to %d", s.Baud, MostBaud)
	case s.Parity != line.Even && s.Parity != line.Odd && s.Parity != line.None:
		return fmt.Sprintf("%v; allowed is even, odd or none", s.Parity)
	case s.Stop != 1 && s.Stop != 2:
		return fmt.Sprintf("stop bits %d; allowed is 1 or 2", s.Stop)
	case o.DataBits != 0 && o.DataBits != 7 && o.DataBits != 8:
		return fmt.Sprintf("data bits %d; allowed is 7 or 8", o.DataBits)
	}
	return ""
}
