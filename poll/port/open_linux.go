package port

import (
	"errors"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// Open opens a serial port for this program alone, raw, with the settings of
// s. It waits for nothing: neither for a carrier nor for another program. The
// error is an *OpenError; its kinds are ErrNotFound, ErrNoPermission, ErrHeld,
// ErrNotSerial and ErrSetting.
func Open(s line.Serial, o Options) (*Port, error) {
	if words := settingsFault(s, o); words != "" {
		return nil, &OpenError{Port: s.Port, Kind: ErrSetting, Found: words}
	}
	// Asked before opening, because opening a file that is no port may change it.
	if err := lookAt(s.Port); err != nil {
		return nil, err
	}
	access := os.O_RDWR
	if o.ReadOnly {
		access = os.O_RDONLY
	}
	f, err := os.OpenFile(s.Port, access|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, openError(s.Port, err)
	}
	p := &Port{file: f, name: s.Port, marked: true, char: characterTime(s, o), readOnly: o.ReadOnly}
	if err := p.take(s, o); err != nil {
		f.Close()
		var open *OpenError
		if errors.As(err, &open) && open.Kind == ErrHeld {
			open.Holders = holders(s.Port) // now without our own descriptor
		}
		return nil, err
	}
	p.turn = newTurner(s.RS485, p.setRTS)
	return p, nil
}

// take makes the open file ours.
func (p *Port) take(s line.Serial, o Options) error {
	var failed error
	err := p.control("open", func(fd int) error {
		failed = claim(fd, s, o)
		return nil
	})
	if err == nil {
		err = failed
	}
	var known *OpenError
	if err == nil || errors.As(err, &known) {
		return err
	}
	return openError(s.Port, err)
}

// claim takes fd: lock, exclusive use, settings, empty queues.
func claim(fd int, s line.Serial, o Options) error {
	was, err := unix.IoctlGetTermios(fd, getTermios)
	if errors.Is(err, unix.ENOTTY) || errors.Is(err, unix.EINVAL) {
		return &OpenError{Port: s.Port, Kind: ErrNotSerial, Err: err, Found: "the device answers no terminal call"}
	}
	if err != nil {
		return err
	}
	pseudo := isPseudo(fd)
	if err := lock(fd, pseudo); errors.Is(err, unix.EWOULDBLOCK) || errors.Is(err, unix.EBUSY) {
		return &OpenError{Port: s.Port, Kind: ErrHeld, Err: err}
	} else if err != nil {
		return err
	}
	words, err := apply(fd, rawSettings(*was, s, o), pseudo)
	if err == nil && words == "" {
		words, err = arrange(descriptor(fd), s.RS485)
	}
	if err != nil {
		return errors.Join(err, release(fd, was))
	}
	if words != "" {
		_ = release(fd, was) // the refusal is the news
		return &OpenError{Port: s.Port, Kind: ErrSetting, Found: words}
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

// lock refuses a port that another program has locked or taken for itself, and
// does both. The lock of the file alone does not stop a program that asks for
// none; exclusive use alone does not stop the superuser. A pseudo-terminal
// gets the lock only: its maker keeps it open, so exclusive use would outlive
// a client that was killed.
func lock(fd int, pseudo bool) error {
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return err
	}
	if pseudo {
		return nil
	}
	if taken, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); err == nil && taken != 0 {
		return unix.EBUSY
	}
	return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
}

// isPseudo says whether fd is a pseudo-terminal: character device, major
// number 136 to 143 (Linux kernel, admin-guide/devices.txt).
func isPseudo(fd int) bool {
	var st unix.Stat_t
	if unix.Fstat(fd, &st) != nil {
		return false
	}
	major := unix.Major(uint64(st.Rdev))
	return major >= 136 && major <= 143
}

// lookAt refuses what cannot be a serial port.
func lookAt(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return openError(path, err)
	}
	kinds := []struct {
		mode fs.FileMode
		name string
	}{
		{fs.ModeDir, "it is a directory"},
		{fs.ModeNamedPipe, "it is a named pipe"},
		{fs.ModeSocket, "it is a socket"},
		{fs.ModeCharDevice, ""},
		{fs.ModeDevice, "it is a disk or other block device"},
	}
	for _, k := range kinds {
		if info.Mode()&k.mode != 0 {
			if k.name == "" {
				return nil
			}
			return &OpenError{Port: path, Kind: ErrNotSerial, Found: k.name}
		}
	}
	return &OpenError{Port: path, Kind: ErrNotSerial, Found: "it is a plain file"}
}

// openError finds the kind of err.
func openError(path string, err error) error {
	e := &OpenError{Port: path, Err: err}
	var inner *fs.PathError
	if errors.As(err, &inner) {
		e.Err = inner.Err
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		e.Kind = ErrNotFound
		for _, p := range List() {
			e.Ports = append(e.Ports, p.Name)
		}
	case errors.Is(err, fs.ErrPermission):
		e.Kind = ErrNoPermission
		e.Owner, e.Group = owners(path)
	case errors.Is(err, unix.EBUSY):
		e.Kind = ErrHeld
		e.Holders = holders(path)
	case errors.Is(err, unix.EIO): // a port the system expects and does not have
		e.Kind = ErrNotSerial
		e.Found = "no hardware answers behind this device"
	}
	return e
}

// owners is the user that owns path and the group that may read and write it.
func owners(path string) (owner, group string) {
	info, err := os.Stat(path)
	if err != nil {
		return "", ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "", ""
	}
	owner = nameOf("/etc/passwd", st.Uid)
	// The superuser's group is nobody's to join.
	if info.Mode().Perm()&0o060 == 0o060 && st.Gid != 0 {
		group = nameOf("/etc/group", st.Gid)
	}
	return owner, group
}

// nameOf finds a number's name in a file of name:x:number lines, and falls
// back to the number.
func nameOf(file string, id uint32) string {
	number := strconv.FormatUint(uint64(id), 10)
	text, _ := os.ReadFile(file)
	for row := range strings.Lines(string(text)) {
		if f := strings.Split(strings.TrimSpace(row), ":"); len(f) > 2 && f[2] == number {
			return f[0]
		}
	}
	return number
}

// characterTime is the time of one character on the line: start bit, data
// bits, parity if any, stop bits.
// Source: Modbus over Serial Line V1.02, 2.5.1.
func characterTime(s line.Serial, o Options) time.Duration {
	bits := 1 + 8 + s.Stop
	if o.DataBits == 7 {
		bits--
	}
	if s.Parity != line.None {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(s.Baud)
}
