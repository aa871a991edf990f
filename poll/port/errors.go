package port

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// The kinds of failure a caller may match with errors.Is.
var (
	ErrNotFound     = errors.New("there is no such port")
	ErrNoPermission = errors.New("no permission to use the port")
	ErrHeld         = errors.New("the port is held by another program")
	ErrNotSerial    = errors.New("this is not a serial port")
	ErrSetting      = errors.New("the port does not take these settings")
	ErrGone         = errors.New("the port is gone") // hang-up: unplugged, or the other side closed
	ErrReadOnly     = errors.New("the port was opened to listen only")
	ErrUnsupported  = errors.New("serial ports are not supported on this system")
)

// An OpenError says why a port could not be opened and what to do about it.
// errors.Is finds its Kind and its cause.
type OpenError struct {
	Port    string   // as given
	Kind    error    // one of the kinds above, or nil when the system's word is all there is
	Err     error    // the system's error, or nil
	Found   string   // ErrNotSerial: what it is instead; ErrSetting: what was found beside what is allowed; ErrNoPermission: what to do, where owner and group are not known
	Ports   []string // ErrNotFound: the ports there are, by their stable names
	Owner   string   // ErrNoPermission: the user that owns the device, "" when even that cannot be read
	Group   string   // ErrNoPermission: the group that may use it, "" when none may
	Holders []Holder // ErrHeld: who holds it, as far as that can be read
}

// A Holder is a process that has a port open.
type Holder struct {
	PID     int
	Command string // as the system tells it; text from outside
	Self    bool   // this very process
}

// String is the quoted command with its number: "poller --all" (process 4711).
func (h Holder) String() string {
	if h.Self {
		return fmt.Sprintf("this program itself (process %d)", h.PID)
	}
	return fmt.Sprintf("%q (process %d)", h.Command, h.PID)
}

// Error is what happened, and what to do when that is known.
func (e *OpenError) Error() string {
	return fmt.Sprintf("open serial port %q: %s", e.Port, e.words())
}

// Unwrap gives the kind and the cause.
func (e *OpenError) Unwrap() []error {
	return slices.DeleteFunc([]error{e.Kind, e.Err}, func(err error) bool { return err == nil })
}

func (e *OpenError) words() string {
	switch e.Kind {
	case ErrNotFound:
		return e.Kind.Error() + "; " + e.ports()
	case ErrNoPermission:
		return e.Kind.Error() + "; " + e.permission()
	case ErrHeld:
		return e.Kind.Error() + "; " + e.holders()
	case ErrNotSerial, ErrSetting:
		return e.Kind.Error() + ": " + e.Found
	case ErrUnsupported:
		return e.Kind.Error() + "; use a network line, or Linux"
	}
	return fmt.Sprint(e.Err)
}

func (e *OpenError) ports() string {
	if len(e.Ports) == 0 {
		return "this machine shows no serial port; is the adapter plugged in"
	}
	var quoted []string
	for _, p := range e.Ports {
		quoted = append(quoted, fmt.Sprintf("%q", p))
	}
	return "the ports there are: " + strings.Join(quoted, ", ")
}

func (e *OpenError) permission() string {
	if e.Found != "" {
		return e.Found
	}
	if e.Owner == "" {
		return "the folder it lies in may not be entered"
	}
	if e.Group == "" {
		return fmt.Sprintf("only user %q may use it; run as that user, or let the administrator give the device a group", e.Owner)
	}
	return fmt.Sprintf("it belongs to group %q; let the administrator add you to it (usermod -a -G %s YOU), then log in again",
		e.Group, e.Group)
}

func (e *OpenError) holders() string {
	if len(e.Holders) == 0 {
		return "which one cannot be read here; end it, or ask the administrator who holds it"
	}
	var names []string
	for _, h := range e.Holders {
		names = append(names, h.String())
	}
	return strings.Join(names, ", ") + "; end it first"
}

// An IOError is a failed Read, Write or flush of an open port. errors.Is finds
// ErrGone in it when the port hung up.
type IOError struct {
	Op   string // "read", "write", "discard", "drain"
	Port string
	Err  error
}

// Error is operation, port and cause.
func (e *IOError) Error() string { return fmt.Sprintf("%s serial port %q: %v", e.Op, e.Port, e.Err) }

// Unwrap gives the cause.
func (e *IOError) Unwrap() error { return e.Err }

// Timeout says whether a deadline passed, as net.Error has it.
func (e *IOError) Timeout() bool {
	var t interface{ Timeout() bool }
	return errors.As(e.Err, &t) && t.Timeout()
}
