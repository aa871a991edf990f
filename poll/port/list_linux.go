package port

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// List finds the serial ports of this machine, sorted by name: real ports
// only, no consoles and no pseudo-terminals. A machine without any gives an
// empty list.
func List() []Info { return list("/") }

// list is List below another root.
func list(root string) []Info {
	names := stableNames(root)
	classes, _ := os.ReadDir(filepath.Join(root, "sys/class/tty"))
	var ports []Info
	for _, c := range classes {
		class := filepath.Join(root, "sys/class/tty", c.Name())
		if !isReal(class) {
			continue
		}
		device := "/dev/" + c.Name()
		info := Info{Name: device, Device: device, About: about(class)}
		if name, ok := names[c.Name()]; ok {
			info.Name = name
		}
		ports = append(ports, info)
	}
	slices.SortFunc(ports, func(a, b Info) int { return cmp.Compare(a.Name, b.Name) })
	return ports
}

// stableNames maps a device to its name in /dev/serial/by-id, which is made of
// the adapter's maker, model and serial number; the first of several.
func stableNames(root string) map[string]string {
	names := map[string]string{}
	links, _ := os.ReadDir(filepath.Join(root, "dev/serial/by-id"))
	for _, l := range links {
		target, err := os.Readlink(filepath.Join(root, "dev/serial/by-id", l.Name()))
		if err != nil {
			continue
		}
		if _, ok := names[filepath.Base(target)]; !ok {
			names[filepath.Base(target)] = "/dev/serial/by-id/" + l.Name()
		}
	}
	return names
}

// Stable is the name under which the adapter behind a port is found again after
// it was unplugged, and path itself where the system has none. The device's own
// name does not serve: another adapter may have it then.
func Stable(path string) string { return stable("/", path) }

// stable is Stable below another root.
func stable(root, path string) string {
	device, err := filepath.EvalSymlinks(filepath.Join(root, path))
	if err != nil {
		return path
	}
	if inner, err := filepath.Rel(filepath.Join(root, "dev"), device); err != nil || inner != filepath.Base(device) {
		return path // no port of the system's own folder: a pseudo-terminal
	}
	if name, ok := stableNames(root)[filepath.Base(device)]; ok {
		return name
	}
	return path
}

// isReal says whether a terminal class entry is a port with hardware behind
// it: it has a device, and a UART was found there (type 0 is "none found").
func isReal(class string) bool {
	if _, err := os.Stat(filepath.Join(class, "device")); err != nil {
		return false
	}
	kind, err := os.ReadFile(filepath.Join(class, "type"))
	return err != nil || strings.TrimSpace(string(kind)) != "0"
}

// about is what a USB adapter says of itself. The description lies one or more
// folders above the port's device, with the number of driver layers.
func about(class string) string {
	dir, err := filepath.EvalSymlinks(filepath.Join(class, "device"))
	if err != nil {
		return ""
	}
	for range 3 {
		if product, err := os.ReadFile(filepath.Join(dir, "product")); err == nil {
			maker, _ := os.ReadFile(filepath.Join(dir, "manufacturer"))
			return strings.TrimSpace(strings.TrimSpace(string(maker)) + " " + strings.TrimSpace(string(product)))
		}
		dir = filepath.Dir(dir)
	}
	return ""
}
