// Package simdevice is the station in software: a Station answers request PDUs
// out of the Banks of its units, and serves a stream or a listener that it is
// given. It behaves as the register map says the device does, so that a panel
// can be tested before the hardware exists.
//
// It opens nothing and keeps no clock of its own for its contents: ports and
// listeners come from cmd, and time is an argument of Step. Frames are
// decode/frame's work, raw contents and their meaning regmap's; the process
// behind the registers is in simdevice/process, the fault script in
// simdevice/fault.
package simdevice
