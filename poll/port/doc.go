// Package port opens serial ports and makes pseudo-terminal pairs: bytes in,
// bytes out, with deadlines, and words a technician can act on when a port
// cannot be had. It lists the ports a machine has under names that stay the
// same after replugging.
//
// It knows no Modbus: framing, silence between frames and what an answer means
// belong to poll/link. On Linux a port is an os.File in the runtime's poller,
// so a deadline costs no thread, Close ends a blocked Read, and descriptors
// above 1,023 work. On Windows and macOS a serial module opens the port, and a
// pump puts deadlines on it; damaged characters are not told apart there, and
// there are no pseudo-terminal pairs. Elsewhere every call answers
// ErrUnsupported.
//
// A two-wire line whose adapter does not turn by itself is turned by the
// kernel's driver or by RTS, as the line's settings say. RTS is switched by this
// program and may be a few milliseconds late; where a station answers faster
// than that, only the kernel or another adapter helps.
package port
