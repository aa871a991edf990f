package frame

import (
	"fmt"
	"strings"

	"plumbline/regmap"
)

// LikelyCauses says why a station refuses with this exception, the likeliest
// first, as sentences for people. q, which may be nil, is the request that was
// refused. Sources: V1.1b3 7 and the figures of the functions for what a code
// means; common practice for what is behind it.
func (e Exception) LikelyCauses(q *Request) []string {
	switch e {
	case IllegalFunction:
		return causesOfFunction(q)
	case IllegalDataAddress:
		return causesOfAddress(q)
	case IllegalDataValue:
		return causesOfValue(q)
	case ServerDeviceFailure:
		if q != nil && q.Changes() {
			return []string{"The station could not do what it was told: it may be switched to local, locked by a password or a running program, or refuse a value beyond its range."}
		}
		return []string{"The station could not give what was asked: look at the device's own fault display, and whether the part that holds these values is fitted."}
	case Acknowledge:
		return []string{"This is no refusal: ask the station later, and do not send the request again."}
	case ServerDeviceBusy:
		return []string{"Ask again later, and less often. On a network it also comes when too many requests are open at once."}
	case GatewayPathUnavailable:
		return []string{"The gateway knows no way to this unit: compare the unit number with the gateway's table."}
	case GatewayTargetDeviceFailedToRespond:
		return []string{"The gateway is well; the device behind it is not heard: its power, its unit number, the speed and parity of the line behind the gateway, the gateway's own time limit."}
	}
	return nil
}

// instead is what to ask with where a function is not there. Common practice.
var instead = map[Function]string{
	ReadHoldingRegisters:       "Small devices often have one table of registers only: try 04, read input registers, with the same address.",
	ReadInputRegisters:         "Small devices often have one table of registers only: try 03, read holding registers, with the same address.",
	ReadCoils:                  "Bits may be kept in registers here: look in the device's list for 03 or 04, or try 02, read discrete inputs.",
	ReadDiscreteInputs:         "Bits may be kept in registers here: look in the device's list for 03 or 04, or try 01, read coils.",
	WriteSingleCoil:            "Some devices take 0F, write multiple coils, with a quantity of 1 only; others have no coils.",
	WriteSingleRegister:        "Some devices take 10, write multiple registers, with a quantity of 1 only.",
	WriteMultipleCoils:         "Some devices take 05, write single coil, only.",
	WriteMultipleRegisters:     "Some devices take 06, write single register, only.",
	ReadWriteMultipleRegisters: "Few devices have this function: write with 10 and read with 03, one after the other.",
	MaskWriteRegister:          "Few devices have this function: read the word, change the bits, write it with 06.",
	EncapsulatedInterface:      "Many devices have no device identification; look for it in their registers, or try 11, report server ID.",
}

func causesOfFunction(q *Request) []string {
	if q == nil {
		return nil
	}
	switch q.Function {
	case ReadExceptionStatus, Diagnostics, GetCommEventCounter, GetCommEventLog, ReportServerID:
		return []string{fmt.Sprintf("%s is a function of serial lines; devices on a network need not have it (V1.1b3 %s).", coded(q.Function), rowOf(q.Function).clause)}
	}
	if words, known := instead[q.Function]; known {
		return []string{words}
	}
	return []string{"The device does not have this function; its manual lists those it has."}
}

func causesOfAddress(q *Request) []string {
	if q == nil {
		return []string{"A device also answers so when one register inside a longer read does not exist. Ask for fewer."}
	}
	var out []string
	for _, half := range halves(q) {
		if end := half.span.End(); end > 1<<16 {
			return []string{fmt.Sprintf("%s from address %d on reach beyond address 65535, the last there is.", plural(half.span.Count, half.item()), half.span.First)}
		}
		if half.span.Count > 1 {
			out = append(out, fmt.Sprintf("One or more of %s do not exist here. Ask for fewer, by halves, and the missing one shows.", half.span))
		}
	}
	first := halves(q)
	if len(first) == 0 {
		if q.Function == ReadFileRecord || q.Function == WriteFileRecord {
			return []string{"A file or record is not there, or the reference type is not 6."}
		}
		return nil
	}
	if s := first[0].span; s.First > 0 {
		out = append(out, fmt.Sprintf("If the device's list counts from 1, its number %d is address %d: ask one lower.", int(s.First), int(s.First)-1))
	}
	switch {
	case q.Function == ReadHoldingRegisters:
		out = append(out, "Or the values lie in the other table: 04, read input registers.")
	case q.Function == ReadInputRegisters:
		out = append(out, "Or the values lie in the other table: 03, read holding registers.")
	case q.Changes():
		out = append(out, "Or it can be read and not written.")
	}
	return out
}

// half is what a request reads, or what it writes.
type half struct{ span regmap.Span }

func (h half) item() string {
	if h.span.Table.Bits() {
		return "bit"
	}
	return "register"
}

func halves(q *Request) (out []half) {
	if s, ok := q.Reads(); ok {
		out = append(out, half{s})
	}
	if s, ok := q.Writes(); ok {
		out = append(out, half{s})
	}
	return out
}

func causesOfValue(q *Request) []string {
	if q == nil {
		return []string{"A device also answers so when a read is longer than it allows. Ask for fewer."}
	}
	if fault := q.ownFault(); fault != "" {
		return []string{"The request breaks the protocol's own rules: " + fault + "."}
	}
	parts := halves(q)
	switch {
	case len(parts) > 0 && parts[0].span.Count > 1:
		return []string{fmt.Sprintf("%s in one request may be more than this device allows, though the protocol does. Ask for fewer.", plural(parts[0].span.Count, parts[0].item()))}
	case q.Function == WriteSingleRegister || q.Function == WriteMultipleRegisters:
		return []string{fmt.Sprintf("Devices also answer so to a value beyond their range, though the code is not meant for that (V1.1b3 7): compare %s with the range in the manual.", writtenWords(q))}
	case q.Function == WriteSingleCoil:
		return []string{"Only FF00 and 0000 are allowed here (V1.1b3 6.5)."}
	}
	return nil
}

// ownFault is what a request breaks of its function's rules; "" for nothing.
func (q *Request) ownFault() string {
	pdu, err := q.Append(nil)
	if err == nil {
		_, err = ParseRequest(pdu)
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// writtenWords are the values that a request brings.
func writtenWords(q *Request) string {
	var parts []string
	for _, w := range q.Registers(nil) {
		if len(parts) == 4 {
			parts = append(parts, "...")
			break
		}
		parts = append(parts, fmt.Sprint(w))
	}
	return strings.Join(parts, ", ")
}
