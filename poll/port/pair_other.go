//go:build !linux

package port

// A Pair is a pseudo-terminal pair; there is none on this system.
type Pair struct{ *Port }

// Path is empty on this system.
func (*Pair) Path() string { return "" }

// OpenPair answers ErrUnsupported on this system.
func OpenPair() (*Pair, error) { return nil, ErrUnsupported }
