package port

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// machine makes the folders of a small computer: links point to where they
// would there.
func machine(t *testing.T, files, links map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for path, text := range files {
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for path, target := range links {
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(target, path); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// The layout is that of the Linux kernel (Documentation/ABI, sysfs-tty for
// "type", sysfs-bus-usb for "product") and of the device manager's links.
func TestList(t *testing.T) {
	root := machine(t, map[string]string{
		"sys/devices/pnp0/00:00/tty/ttyS0/type":             "4\n",
		"sys/devices/platform/serial8250/tty/ttyS1/type":    "0\n",
		"sys/devices/virtual/tty/tty0/uevent":               "",
		"sys/devices/usb1/1-2/manufacturer":                 "Cistern Works \n",
		"sys/devices/usb1/1-2/product":                      "Two-wire adapter\n",
		"sys/devices/usb1/1-2/1-2:1.0/ttyUSB0/uevent":       "",
		"sys/devices/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0/": "",
		"sys/devices/usb1/1-3/product":                      "Nameless adapter\n",
		"sys/devices/usb1/1-3/1-3:1.0/uevent":               "",
		"sys/devices/usb1/1-3/tty/ttyACM0/uevent":           "",
	}, map[string]string{
		"sys/devices/pnp0/00:00/tty/ttyS0/device":          "../../../00:00",
		"sys/devices/platform/serial8250/tty/ttyS1/device": "../../../serial8250",
		"sys/class/tty/ttyS0":                              "../../devices/pnp0/00:00/tty/ttyS0",
		"sys/class/tty/ttyS1":                              "../../devices/platform/serial8250/tty/ttyS1",
		"sys/class/tty/tty0":                               "../../devices/virtual/tty/tty0",
		"sys/class/tty/ttyUSB0/device":                     "../../../devices/usb1/1-2/1-2:1.0/ttyUSB0",
		"sys/class/tty/ttyACM0/device":                     "../../../devices/usb1/1-3/1-3:1.0",
		"dev/serial/by-id/usb-Two-wire_adapter_A1-if00":    "../../ttyUSB0",
		"dev/serial/by-id/usb-Two-wire_adapter_A1-zz":      "../../ttyUSB0",
	})
	want := []Info{
		{Name: "/dev/serial/by-id/usb-Two-wire_adapter_A1-if00", Device: "/dev/ttyUSB0", About: "Cistern Works Two-wire adapter"},
		{Name: "/dev/ttyACM0", Device: "/dev/ttyACM0", About: "Nameless adapter"},
		{Name: "/dev/ttyS0", Device: "/dev/ttyS0"},
	}
	if got := list(root); !slices.Equal(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if got := list(t.TempDir()); got != nil {
		t.Errorf("a machine without ports lists %v", got)
	}
}

// On this machine, whatever it has, every port listed has a device.
func TestListHere(t *testing.T) {
	for _, p := range List() {
		if info, err := os.Stat(p.Device); err != nil || info.Mode()&os.ModeCharDevice == 0 {
			t.Errorf("%+v: %v", p, err)
		}
	}
}

// A port given by its device's name is kept by the adapter's own.
func TestStable(t *testing.T) {
	root := machine(t, map[string]string{"dev/ttyUSB0": "", "dev/ttyUSB1": "", "dev/pts/4": "", "dev/pts/ttyUSB0": ""}, map[string]string{
		"dev/serial/by-id/usb-Two-wire_adapter_A1-if00": "../../ttyUSB0",
		"dev/pump-house": "ttyUSB0",
		"dev/gone":       "ttyUSB9",
	})
	const adapter = "/dev/serial/by-id/usb-Two-wire_adapter_A1-if00"
	for path, want := range map[string]string{
		"/dev/ttyUSB0": adapter, "/dev/pump-house": adapter, adapter: adapter,
		"/dev/ttyUSB1": "/dev/ttyUSB1", "/dev/pts/4": "/dev/pts/4", "/dev/pts/ttyUSB0": "/dev/pts/ttyUSB0", "/dev/gone": "/dev/gone", "/dev/none": "/dev/none",
	} {
		if got := stable(root, path); got != want {
			t.Errorf("%s: %s, want %s", path, got, want)
		}
	}
	if got := Stable("/dev/pts/4"); got != "/dev/pts/4" {
		t.Errorf("a pseudo-terminal of this machine is kept as %s", got)
	}
}
