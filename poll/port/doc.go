// Package port opens serial ports and makes pseudo-terminal pairs: bytes in,
// bytes out, with deadlines, and words a technician can act on when a port
// cannot be had. It lists the ports a machine has under names that stay the
// same after replugging.
//
// It knows no Modbus: framing, silence between frames and what an answer means
// belong to poll/link. On Linux a port is an os.File in the runtime's poller,
// so a deadline costs no thread, Close ends a blocked Read, and descriptors
// above 1,023 work; elsewhere every call answers ErrUnsupported.
package port
