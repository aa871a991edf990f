package port

// Info is a serial port of this machine.
type Info struct {
	Name   string // the name to use: stable over replugging where the system has one
	Device string // the device's own path, "/dev/ttyUSB0"
	About  string // what the adapter says of itself, "" when it says nothing; text from outside
}
