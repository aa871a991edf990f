package frame

import "fmt"

// A Function is a function code. The zero Function is not valid.
// Source: V1.1b3 4.1 (1 to 127; 128 to 255 are for exceptions).
type Function uint8

// The public function codes. Source: V1.1b3 5.1.
const (
	ReadCoils                  Function = 0x01
	ReadDiscreteInputs         Function = 0x02
	ReadHoldingRegisters       Function = 0x03
	ReadInputRegisters         Function = 0x04
	WriteSingleCoil            Function = 0x05
	WriteSingleRegister        Function = 0x06
	ReadExceptionStatus        Function = 0x07
	Diagnostics                Function = 0x08
	GetCommEventCounter        Function = 0x0B
	GetCommEventLog            Function = 0x0C
	WriteMultipleCoils         Function = 0x0F
	WriteMultipleRegisters     Function = 0x10
	ReportServerID             Function = 0x11
	ReadFileRecord             Function = 0x14
	WriteFileRecord            Function = 0x15
	MaskWriteRegister          Function = 0x16
	ReadWriteMultipleRegisters Function = 0x17
	ReadFIFOQueue              Function = 0x18
	EncapsulatedInterface      Function = 0x2B
)

// exceptionBit marks the function code of an exception answer.
// Source: V1.1b3 4.1.
const exceptionBit = 0x80

// String is the standard's name, "Read Coils"; "function 9 (0x09)" for a code
// without one.
func (f Function) String() string {
	if r := rowOf(f); r != nil {
		return r.name
	}
	return fmt.Sprintf("function %d (0x%02X)", uint8(f), uint8(f))
}

// coded is the name with the code in both notations: "Read Coils, 1 (0x01)".
func coded(f Function) string {
	if !f.Known() {
		return f.String()
	}
	return fmt.Sprintf("%s, %d (0x%02X)", f, uint8(f), uint8(f))
}

// Known says whether f is a public function of the standard.
// Source: V1.1b3 5.1.
func (f Function) Known() bool { return rowOf(f) != nil }

// A SubFunction is a sub-function code of Diagnostics, 08. Zero is Return Query
// Data.
type SubFunction uint16

// The sub-functions of Diagnostics. Source: V1.1b3 6.8.1; 5 to 9, 19 and
// 21 to 65535 are reserved.
const (
	ReturnQueryData              SubFunction = 0x00
	RestartCommunications        SubFunction = 0x01
	ReturnDiagnosticRegister     SubFunction = 0x02
	ChangeASCIIInputDelimiter    SubFunction = 0x03
	ForceListenOnlyMode          SubFunction = 0x04
	ClearCounters                SubFunction = 0x0A
	ReturnBusMessageCount        SubFunction = 0x0B
	ReturnBusCommErrorCount      SubFunction = 0x0C
	ReturnBusExceptionErrorCount SubFunction = 0x0D
	ReturnServerMessageCount     SubFunction = 0x0E
	ReturnServerNoResponseCount  SubFunction = 0x0F
	ReturnServerNAKCount         SubFunction = 0x10
	ReturnServerBusyCount        SubFunction = 0x11
	ReturnBusOverrunCount        SubFunction = 0x12
	ClearOverrunCounter          SubFunction = 0x14
)

// String is the standard's name, "Return Query Data"; "sub-function 5 (0x0005)"
// for a reserved code.
func (s SubFunction) String() string {
	if r := subRowOf(s); r != nil {
		return r.name
	}
	return fmt.Sprintf("sub-function %d (0x%04X)", uint16(s), uint16(s))
}

// Known says whether s is a sub-function of the standard.
func (s SubFunction) Known() bool { return subRowOf(s) != nil }

// The MEI types of Encapsulated Interface Transport. Source: V1.1b3 6.19.
const (
	MEICANopen  uint8 = 0x0D // CANopen General Reference; its content lives in another document
	MEIDeviceID uint8 = 0x0E // Read Device Identification
)

// The access codes of Read Device Identification. Source: V1.1b3 6.21.
const (
	DeviceIDBasic    uint8 = 1 // stream of objects 0 to 2
	DeviceIDRegular  uint8 = 2 // stream of objects 0 to 0x7F
	DeviceIDExtended uint8 = 3 // stream of objects 0 to 0xFF
	DeviceIDObject   uint8 = 4 // one single object
)
