package frame

import "fmt"

// An Exception is the code byte of an exception answer. The zero Exception
// stands for a good answer. Source: V1.1b3 7.
type Exception uint8

// The exception codes. Source: V1.1b3 7 (07 and 09 have no row there).
const (
	IllegalFunction                    Exception = 0x01
	IllegalDataAddress                 Exception = 0x02
	IllegalDataValue                   Exception = 0x03
	ServerDeviceFailure                Exception = 0x04
	Acknowledge                        Exception = 0x05
	ServerDeviceBusy                   Exception = 0x06
	MemoryParityError                  Exception = 0x08
	GatewayPathUnavailable             Exception = 0x0A
	GatewayTargetDeviceFailedToRespond Exception = 0x0B
)

var exceptionRows = [...]struct{ name, meaning string }{
	IllegalFunction: {"illegal function",
		"the station does not have this function, or not in its present state"},
	IllegalDataAddress: {"illegal data address",
		"start and length together leave what the station has; single items of the range may well exist"},
	IllegalDataValue: {"illegal data value",
		"the request is built in a way the station refuses, such as a quantity beyond its limits; it says nothing about a set-point's range"},
	ServerDeviceFailure: {"server device failure",
		"the station tried and failed for good; look at the device itself"},
	Acknowledge: {"acknowledge",
		"the station took the request and needs a long time for it; ask later whether it is done"},
	ServerDeviceBusy: {"server device busy",
		"the station works on something long, or has no free slot; ask again later"},
	MemoryParityError: {"memory parity error",
		"the station found its extended file memory damaged (functions 20 and 21 only)"},
	GatewayPathUnavailable: {"gateway path unavailable",
		"the gateway has no way to that unit; it is set up wrongly or overloaded"},
	GatewayTargetDeviceFailedToRespond: {"gateway target device failed to respond",
		"the gateway asked and the device behind it stayed silent; it is probably off or not connected"},
}

// Known says whether the standard's table has a row for e.
func (e Exception) Known() bool {
	return int(e) < len(exceptionRows) && exceptionRows[e].name != ""
}

// Name is the standard's name in lower case, "illegal data address", or
// "not in the standard's table".
func (e Exception) Name() string {
	if e.Known() {
		return exceptionRows[e].name
	}
	return "not in the standard's table"
}

// String is the code in hexadecimal and the name: "exception 02, illegal data
// address", "exception 7F, not in the standard's table".
func (e Exception) String() string {
	return fmt.Sprintf("exception %02X, %s", uint8(e), e.Name())
}

// Meaning is one sentence on what the code means to a technician, without
// capital and full stop. Source: V1.1b3 7, in our words.
func (e Exception) Meaning() string {
	if e.Known() {
		return exceptionRows[e].meaning
	}
	return "the maker gave this code a meaning of its own; see the device's manual"
}
