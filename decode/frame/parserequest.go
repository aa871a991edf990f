package frame

import (
	"encoding/binary"

	"plumbline/regmap"
)

// ParseRequest reads the PDU of a request, strictly by the standard: limits,
// byte counts against quantity and bytes present, inner lengths. It allocates
// nothing for a request that is right. An *Error tells class and byte, and in
// Exception what the standard wants a station to answer: 01 for a function,
// sub-function or MEI type that is unknown, 02 for a file reference, else 03.
// Whether the station has the addresses is not judged here.
func ParseRequest(pdu []byte) (Request, error) {
	q, err := parseRequest(pdu)
	if err != nil {
		return Request{}, answered(err)
	}
	return q, nil
}

// answered fills in the exception. Source: V1.1b3 figures 11 to 30.
func answered(e *Error) *Error {
	switch {
	case e.Exception != 0:
	case e.Class == ErrFunction:
		e.Exception = IllegalFunction
	default:
		e.Exception = IllegalDataValue
	}
	return e
}

func parseRequest(pdu []byte) (q Request, err *Error) {
	r, err := head(pdu, false)
	if err != nil {
		return q, err
	}
	q.Function = r.function
	switch q.Function {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters:
		q.Address, q.Quantity = regmap.Address(word(pdu, 1)), int(word(pdu, 3))
		err = r.quantity.within(r, 3, q.Quantity, "quantity")
	case WriteSingleCoil, WriteSingleRegister:
		q.Address, q.Value = regmap.Address(word(pdu, 1)), word(pdu, 3)
		if q.Function == WriteSingleCoil {
			err = coilWord(q.Value)
		}
	case WriteMultipleCoils, WriteMultipleRegisters:
		q.Address, q.Quantity, q.Data = regmap.Address(word(pdu, 1)), int(word(pdu, 3)), pdu[6:]
		if err = r.quantity.within(r, 3, q.Quantity, "quantity"); err == nil {
			err = bytesFor(r, 5, len(q.Data), q.Quantity)
		}
	case MaskWriteRegister:
		q.Address, q.And, q.Or = regmap.Address(word(pdu, 1)), word(pdu, 3), word(pdu, 5)
	case ReadWriteMultipleRegisters:
		return parseReadWrite(r, pdu)
	case ReadFIFOQueue:
		q.Address = regmap.Address(word(pdu, 1))
	case Diagnostics:
		q.SubFunction, q.Data = SubFunction(word(pdu, 1)), pdu[3:]
		err = checkDiagnostics(pdu)
	case ReadFileRecord, WriteFileRecord:
		q.Data = pdu[2:]
		err = checkGroups(r, pdu)
	case EncapsulatedInterface:
		q.MEI = pdu[1]
		if q.MEI == MEICANopen {
			q.Data = pdu[2:]
			break
		}
		q.Code, q.Object = pdu[2], pdu[3]
		err = checkAccessCode(q.Code)
	}
	return q, err
}

func parseReadWrite(r *row, pdu []byte) (q Request, err *Error) {
	q = Request{Function: r.function,
		Address: regmap.Address(word(pdu, 1)), Quantity: int(word(pdu, 3)),
		WriteAddress: regmap.Address(word(pdu, 5)), WriteQuantity: int(word(pdu, 7)), Data: pdu[10:]}
	if err = r.quantity.within(r, 3, q.Quantity, "read quantity"); err != nil {
		return q, err
	}
	if err = r.write.within(r, 7, q.WriteQuantity, "write quantity"); err != nil {
		return q, err
	}
	return q, bytesFor(r, 9, len(q.Data), q.WriteQuantity)
}

var accessCodes = limit{int(DeviceIDBasic), int(DeviceIDObject)}

func checkAccessCode(code uint8) *Error {
	return accessCodes.within(&deviceID, 2, int(code), "access code")
}

// checkDiagnostics judges sub-function and data words, which request and echo
// share. Source: V1.1b3 6.8.1.
func checkDiagnostics(pdu []byte) *Error {
	s := subRowOf(SubFunction(word(pdu, 1)))
	data := pdu[3:]
	switch {
	case s == nil:
		return refuse(ErrFunction, 1, "%s; it is reserved (V1.1b3 6.8.1)", SubFunction(word(pdu, 1)))
	case len(data)%2 != 0:
		return refuse(ErrShort, len(pdu), "%d data bytes; Diagnostics has whole words (V1.1b3 6.8)", len(data))
	case s.any:
		return nil
	case len(data) > 2:
		return refuse(ErrLong, 5, "%d data bytes; %s has one word (V1.1b3 6.8.1)", len(data), s.name)
	case s.char && data[1] != 0:
		return refuse(ErrValue, 4, "%02X after the delimiter; 00 is allowed (V1.1b3 6.8.1)", data[1])
	case s.char:
		return nil
	}
	if v := word(data, 0); v != s.data[0] && v != s.data[1] {
		return refuse(ErrValue, 3, "data word %04X; %s allows %04X or %04X (V1.1b3 6.8.1)", v, s.name, s.data[0], s.data[1])
	}
	return nil
}

// checkGroups judges the groups of 14 and 15 in a request, and of 15 in its
// echo: file references refused with 02, lengths with 03. Sums are made in int
// before anything is built. Source: V1.1b3 6.14, 6.15 and figures 24, 25.
func checkGroups(r *row, pdu []byte) *Error {
	data, at, answer := pdu[2:], 2, 0
	for len(data) > 0 {
		if len(data) < groupHead {
			return refuse(ErrCount, at, "%d bytes are left for a group; its head alone takes %d (V1.1b3 %s)", len(data), groupHead, r.clause)
		}
		n, err := checkGroup(r, data, at)
		if err != nil {
			return err
		}
		answer += 2 + 2*int(word(data, 5))
		data, at = data[n:], at+n
	}
	if most := r.response.max - 2; r.function == ReadFileRecord && answer > most {
		return refuse(ErrValue, 1, "the groups ask for an answer with byte count %d; at most %d are allowed (V1.1b3 6.14)", answer, most)
	}
	return nil
}

// checkGroup judges the group that data begins with and says how long it is.
func checkGroup(r *row, data []byte, at int) (int, *Error) {
	file, record, length := int(word(data, 1)), int(word(data, 3)), int(word(data, 5))
	n := groupHead
	if r.function == WriteFileRecord {
		n += 2 * length
	}
	var err *Error
	switch {
	case length == 0:
		return 0, refuse(ErrValue, at+5, "record length 0; a group has one register at least (V1.1b3 %s)", r.clause)
	case n > len(data):
		return 0, refuse(ErrCount, at+5, "record length %d; only %d data bytes are left (V1.1b3 %s)", length, len(data)-groupHead, r.clause)
	case data[0] != referenceType:
		err = refuse(ErrValue, at, "reference type %d; %d is allowed (V1.1b3 %s)", data[0], referenceType, r.clause)
	case !fileNumber.holds(file):
		err = fileNumber.within(r, at+1, file, "file number")
	case !recordNumber.holds(record):
		err = recordNumber.within(r, at+3, record, "record number")
	case !recordNumber.holds(record + length - 1):
		err = recordNumber.within(r, at+5, record+length-1, "last record")
	}
	if err != nil {
		err.Exception = IllegalDataAddress
	}
	return n, err
}

// Append appends the request's PDU. It refuses what ParseRequest would, with
// the same errors.
func (q Request) Append(dst []byte) ([]byte, error) {
	start := len(dst)
	dst = append(dst, byte(q.Function))
	switch q.Function {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters:
		dst = appendInts(dst, int(q.Address), q.Quantity)
	case WriteSingleCoil, WriteSingleRegister:
		dst = appendInts(dst, int(q.Address), int(q.Value))
	case WriteMultipleCoils, WriteMultipleRegisters:
		dst = appendCounted(appendInts(dst, int(q.Address), q.Quantity), q.Data)
	case MaskWriteRegister:
		dst = appendInts(dst, int(q.Address), int(q.And), int(q.Or))
	case ReadWriteMultipleRegisters:
		dst = appendInts(dst, int(q.Address), q.Quantity, int(q.WriteAddress), q.WriteQuantity)
		dst = appendCounted(dst, q.Data)
	case ReadFIFOQueue:
		dst = appendInts(dst, int(q.Address))
	case Diagnostics:
		dst = append(appendInts(dst, int(q.SubFunction)), q.Data...)
	case ReadFileRecord, WriteFileRecord:
		dst = appendCounted(dst, q.Data)
	case EncapsulatedInterface:
		dst = append(dst, q.MEI)
		if q.MEI == MEIDeviceID {
			dst = append(dst, q.Code, q.Object)
		} else {
			dst = append(dst, q.Data...)
		}
	}
	if err := q.fits(); err != nil {
		return nil, answered(err)
	}
	if _, err := parseRequest(dst[start:]); err != nil {
		return nil, answered(err)
	}
	return dst, nil
}

// fits refuses quantities beyond their limits, which might be cut off on the
// wire, and data beyond any PDU.
func (q Request) fits() *Error {
	r := rowOf(q.Function)
	if r == nil {
		return nil
	}
	if r.table != 0 && r.quantity.min < r.quantity.max {
		if err := r.quantity.within(r, 3, q.Quantity, "quantity"); err != nil {
			return err
		}
	}
	if r.write.max > 0 {
		if err := r.write.within(r, 7, q.WriteQuantity, "write quantity"); err != nil {
			return err
		}
	}
	return fitsData(q.Data)
}

func fitsData(data []byte) *Error {
	if len(data) > MaxPDU {
		return refuse(ErrLong, MaxPDU, "%d data bytes; a PDU has at most %d (V1.1b3 4.1)", len(data), MaxPDU)
	}
	return nil
}

func appendInts(dst []byte, values ...int) []byte {
	for _, v := range values {
		dst = binary.BigEndian.AppendUint16(dst, uint16(v))
	}
	return dst
}

func appendCounted(dst, data []byte) []byte {
	return append(append(dst, byte(len(data))), data...)
}
