package frame

import "plumbline/regmap"

// MaxPDU is the most bytes of a PDU. Source: V1.1b3 4.1.
const MaxPDU = 253

// A shape says how long a PDU of one function and direction is.
type shape struct {
	min, max int
	count    int  // offset of the byte count that fixes the length; 0: see below
	width    int  // bytes of the byte count, 1 or 2
	objects  bool // the length follows from a list of objects (V1.1b3 6.21)
	open     bool // the length does not follow from the first bytes
}

// fixed says whether every PDU of the shape has the same length.
func (s *shape) fixed() bool { return s.min == s.max }

// A limit is the least and the most a field may be.
type limit struct{ min, max int }

func (l limit) holds(n int) bool { return n >= l.min && n <= l.max }

// A row holds what the standard fixes for one function.
type row struct {
	function          Function
	name              string
	clause            string // of V1.1b3
	request, response shape
	quantity          limit        // items read, or written where nothing is read
	write             limit        // items written by a function that also reads
	table             regmap.Table // read, or written where nothing is read
	item              int          // bits of an item of the quantity: 1 or 16
	reads, changes    bool
	echo              bool // the good answer repeats the request whole
	serial            bool // a serial line function
}

var (
	one    = shape{min: 1, max: 1}
	two    = shape{min: 2, max: 2}
	three  = shape{min: 3, max: 3}
	five   = shape{min: 5, max: 5}
	seven  = shape{min: 7, max: 7}
	option = shape{min: 5, max: MaxPDU, open: true} // sub-function and data words
)

// counted is a shape whose length follows from a one-byte count at offset at.
func counted(at, min, max int) shape { return shape{min: min, max: max, count: at, width: 1} }

// rows is the standard's table of public functions; every limit stands here and
// nowhere else. Source: V1.1b3 6.1 to 6.21, as the clause column says. The
// lengths follow from the limits: 6.11 has 6 + 1968/8, 6.12 has 6 + 2 x 123,
// 6.17 has 10 + 2 x 121 bytes.
var rows = [...]row{
	{function: ReadCoils, name: "Read Coils", clause: "6.1", request: five, response: counted(1, 3, 252),
		quantity: limit{1, 2000}, table: regmap.Coil, item: 1, reads: true},
	{function: ReadDiscreteInputs, name: "Read Discrete Inputs", clause: "6.2", request: five, response: counted(1, 3, 252),
		quantity: limit{1, 2000}, table: regmap.DiscreteInput, item: 1, reads: true},
	{function: ReadHoldingRegisters, name: "Read Holding Registers", clause: "6.3", request: five, response: counted(1, 4, 252),
		quantity: limit{1, 125}, table: regmap.HoldingRegister, item: 16, reads: true},
	{function: ReadInputRegisters, name: "Read Input Registers", clause: "6.4", request: five, response: counted(1, 4, 252),
		quantity: limit{1, 125}, table: regmap.InputRegister, item: 16, reads: true},
	{function: WriteSingleCoil, name: "Write Single Coil", clause: "6.5", request: five, response: five,
		quantity: limit{1, 1}, table: regmap.Coil, item: 1, changes: true, echo: true},
	{function: WriteSingleRegister, name: "Write Single Register", clause: "6.6", request: five, response: five,
		quantity: limit{1, 1}, table: regmap.HoldingRegister, item: 16, changes: true, echo: true},
	{function: ReadExceptionStatus, name: "Read Exception Status", clause: "6.7", request: one, response: two, serial: true},
	{function: Diagnostics, name: "Diagnostics", clause: "6.8", request: option, response: option, serial: true},
	{function: GetCommEventCounter, name: "Get Comm Event Counter", clause: "6.9", request: one, response: five, serial: true},
	{function: GetCommEventLog, name: "Get Comm Event Log", clause: "6.10", request: one, response: counted(1, 8, 72),
		quantity: limit{0, 64}, serial: true},
	{function: WriteMultipleCoils, name: "Write Multiple Coils", clause: "6.11", request: counted(5, 7, 252), response: five,
		quantity: limit{1, 1968}, table: regmap.Coil, item: 1, changes: true},
	{function: WriteMultipleRegisters, name: "Write Multiple Registers", clause: "6.12", request: counted(5, 8, 252), response: five,
		quantity: limit{1, 123}, table: regmap.HoldingRegister, item: 16, changes: true},
	{function: ReportServerID, name: "Report Server ID", clause: "6.13", request: one, response: counted(1, 3, MaxPDU), serial: true},
	{function: ReadFileRecord, name: "Read File Record", clause: "6.14", request: counted(1, 9, 247), response: counted(1, 6, 247)},
	{function: WriteFileRecord, name: "Write File Record", clause: "6.15", request: counted(1, 11, MaxPDU), response: counted(1, 11, MaxPDU),
		changes: true, echo: true},
	{function: MaskWriteRegister, name: "Mask Write Register", clause: "6.16", request: seven, response: seven,
		quantity: limit{1, 1}, table: regmap.HoldingRegister, item: 16, changes: true, echo: true},
	{function: ReadWriteMultipleRegisters, name: "Read/Write Multiple Registers", clause: "6.17",
		request: counted(9, 12, 252), response: counted(1, 4, 252),
		quantity: limit{1, 125}, write: limit{1, 121}, table: regmap.HoldingRegister, item: 16, reads: true, changes: true},
	{function: ReadFIFOQueue, name: "Read FIFO Queue", clause: "6.18", request: three,
		response: shape{min: 5, max: 67, count: 1, width: 2}, quantity: limit{0, 31}, item: 16},
	{function: EncapsulatedInterface, name: "Encapsulated Interface Transport", clause: "6.19",
		request: shape{min: 2, max: MaxPDU, open: true}, response: shape{min: 2, max: MaxPDU, open: true}},
}

// deviceID is the row of Read Device Identification, which shares its function
// code with another MEI type. Source: V1.1b3 6.21.
var deviceID = row{function: EncapsulatedInterface, name: "Read Device Identification", clause: "6.21",
	request: shape{min: 4, max: 4}, response: shape{min: 7, max: MaxPDU, objects: true}}

// Limits of file records. Source: V1.1b3 6.14 and 6.15; from above 10 on, old
// equipment may refuse a file number.
var (
	fileNumber   = limit{1, 0xFFFF}
	recordNumber = limit{0, 9999}
)

const referenceType = 6

var rowIndex = func() (t [256]*row) {
	for i := range rows {
		t[rows[i].function] = &rows[i]
	}
	return t
}()

func rowOf(f Function) *row { return rowIndex[f] }

// A subRow holds what the standard fixes for one sub-function of Diagnostics.
type subRow struct {
	code    SubFunction
	name    string
	data    [2]uint16 // the data words that a request may hold; see any
	any     bool      // any data, one word or more
	char    bool      // a character, then 00
	echo    bool      // the answer repeats the request
	changes bool
	mute    bool // never answered
}

// subRows is the table of V1.1b3 6.8.1.
var subRows = [...]subRow{
	{code: ReturnQueryData, name: "Return Query Data", any: true, echo: true},
	{code: RestartCommunications, name: "Restart Communications Option", data: [2]uint16{0x0000, 0xFF00}, echo: true, changes: true},
	{code: ReturnDiagnosticRegister, name: "Return Diagnostic Register"},
	{code: ChangeASCIIInputDelimiter, name: "Change ASCII Input Delimiter", char: true, echo: true, changes: true},
	{code: ForceListenOnlyMode, name: "Force Listen Only Mode", changes: true, mute: true},
	{code: ClearCounters, name: "Clear Counters and Diagnostic Register", echo: true, changes: true},
	{code: ReturnBusMessageCount, name: "Return Bus Message Count"},
	{code: ReturnBusCommErrorCount, name: "Return Bus Communication Error Count"},
	{code: ReturnBusExceptionErrorCount, name: "Return Bus Exception Error Count"},
	{code: ReturnServerMessageCount, name: "Return Server Message Count"},
	{code: ReturnServerNoResponseCount, name: "Return Server No Response Count"},
	{code: ReturnServerNAKCount, name: "Return Server NAK Count"},
	{code: ReturnServerBusyCount, name: "Return Server Busy Count"},
	{code: ReturnBusOverrunCount, name: "Return Bus Character Overrun Count"},
	{code: ClearOverrunCounter, name: "Clear Overrun Counter and Flag", echo: true, changes: true},
}

func subRowOf(s SubFunction) *subRow {
	for i := range subRows {
		if subRows[i].code == s {
			return &subRows[i]
		}
	}
	return nil
}
