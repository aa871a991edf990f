//go:build !linux && !windows && !darwin

package port

import (
	"context"
	"time"

	"plumbline/regmap/line"
)

// A Port is an open serial port; there is none on this system.
type Port struct{}

// Open answers ErrUnsupported on this system.
func Open(s line.Serial, _ Options) (*Port, error) {
	return nil, &OpenError{Port: s.Port, Kind: ErrUnsupported}
}

// List is empty on this system.
func List() []Info { return nil }

// Stable is path on this system.
func Stable(path string) string { return path }

// Name is empty on this system.
func (*Port) Name() string { return "" }

// Read answers ErrUnsupported, as every call below.
func (*Port) Read([]byte) (int, error) { return 0, ErrUnsupported }

// Write answers ErrUnsupported.
func (*Port) Write([]byte) (int, error) { return 0, ErrUnsupported }

// SetDeadline answers ErrUnsupported.
func (*Port) SetDeadline(time.Time) error { return ErrUnsupported }

// SetReadDeadline answers ErrUnsupported.
func (*Port) SetReadDeadline(time.Time) error { return ErrUnsupported }

// SetWriteDeadline answers ErrUnsupported.
func (*Port) SetWriteDeadline(time.Time) error { return ErrUnsupported }

// Discard answers ErrUnsupported.
func (*Port) Discard() error { return ErrUnsupported }

// Drain answers ErrUnsupported.
func (*Port) Drain(context.Context) error { return ErrUnsupported }

// Damaged is 0.
func (*Port) Damaged() int { return 0 }

// LineErrors is zero.
func (*Port) LineErrors() LineErrors { return LineErrors{} }

// Settings answers ErrUnsupported.
func (*Port) Settings() (line.Serial, Options, error) {
	return line.Serial{}, Options{}, ErrUnsupported
}

// Close answers ErrUnsupported.
func (*Port) Close() error { return ErrUnsupported }
