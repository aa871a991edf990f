package frame

import "plumbline/regmap"

// ParseResponse reads the PDU of an answer, strictly by the rules of its own
// function; whether it answers a request is for Match. An exception needs a
// function code of 129 to 255 and exactly one code byte other than 0. It
// allocates nothing for an answer that is right.
func ParseResponse(pdu []byte) (Response, error) {
	r, err := parseResponse(pdu)
	if err != nil {
		return Response{}, err
	}
	return r, nil
}

func parseException(pdu []byte) (Response, *Error) {
	const length = 2 // V1.1b3 4.1
	switch {
	case pdu[0] == exceptionBit:
		return Response{}, refuse(ErrFunction, 0, "function code 0x80; an exception is the function, 1 to 127, plus 0x80 (V1.1b3 4.1)")
	case len(pdu) < length:
		return Response{}, refuse(ErrShort, len(pdu), "an exception without its code byte (V1.1b3 7)")
	case len(pdu) > length:
		return Response{}, refuse(ErrLong, length, "%d bytes; an exception has %d (V1.1b3 7)", len(pdu), length)
	case pdu[1] == 0:
		return Response{}, refuse(ErrValue, 1, "exception code 0; 1 to 255 can be one (V1.1b3 7)")
	}
	return Response{Function: Function(pdu[0] &^ exceptionBit), Exception: Exception(pdu[1])}, nil
}

func parseResponse(pdu []byte) (a Response, err *Error) {
	if len(pdu) > 0 && pdu[0]&exceptionBit != 0 {
		return parseException(pdu)
	}
	r, err := head(pdu, true)
	if err != nil {
		return a, err
	}
	a.Function = r.function
	switch a.Function {
	case ReadCoils, ReadDiscreteInputs, ReportServerID:
		a.Data = pdu[2:]
	case ReadHoldingRegisters, ReadInputRegisters, ReadWriteMultipleRegisters:
		a.Data = pdu[2:]
		err = checkEven(r, len(a.Data))
	case WriteSingleCoil, WriteSingleRegister:
		a.Address, a.Value = regmap.Address(word(pdu, 1)), word(pdu, 3)
		if a.Function == WriteSingleCoil {
			err = coilWord(a.Value)
		}
	case WriteMultipleCoils, WriteMultipleRegisters:
		a.Address, a.Quantity = regmap.Address(word(pdu, 1)), int(word(pdu, 3))
		err = r.quantity.within(r, 3, a.Quantity, "quantity")
	case MaskWriteRegister:
		a.Address, a.And, a.Or = regmap.Address(word(pdu, 1)), word(pdu, 3), word(pdu, 5)
	case ReadExceptionStatus:
		a.Value = uint16(pdu[1])
	case Diagnostics:
		a.SubFunction, a.Data = SubFunction(word(pdu, 1)), pdu[3:]
		err = checkDiagnosticsAnswer(pdu)
	case GetCommEventCounter:
		a.Status, a.EventCount = word(pdu, 1), word(pdu, 3)
		err = checkStatus(1, a.Status)
	case GetCommEventLog:
		a.Status, a.EventCount, a.MessageCount, a.Data = word(pdu, 2), word(pdu, 4), word(pdu, 6), pdu[8:]
		err = checkStatus(2, a.Status)
	case ReadFileRecord, WriteFileRecord:
		a.Data = pdu[2:]
		err = checkAnswerGroups(r, pdu)
	case ReadFIFOQueue:
		a.Data = pdu[5:]
		err = checkQueue(r, pdu)
	case EncapsulatedInterface:
		return parseInterface(pdu)
	}
	return a, err
}

func checkEven(r *row, n int) *Error {
	if n%2 != 0 {
		return refuse(ErrCount, 1, "byte count %d; registers take two bytes each (V1.1b3 %s)", n, r.clause)
	}
	return nil
}

// busy is the status of a station that still runs a program command.
// Source: V1.1b3 6.9.
const busy = 0xFFFF

// eventWords is the bytes of status, event count and message count, which the
// byte count of the event log includes. Source: V1.1b3 6.10.
const eventWords = 6

func checkStatus(at int, v uint16) *Error {
	if v == 0 || v == busy {
		return nil
	}
	return refuse(ErrValue, at, "status %04X; 0000 and FFFF are allowed (V1.1b3 6.9)", v)
}

// checkDiagnosticsAnswer judges an echo as its request, any other answer as
// one data word. Source: V1.1b3 6.8.1.
func checkDiagnosticsAnswer(pdu []byte) *Error {
	s := subRowOf(SubFunction(word(pdu, 1)))
	if s == nil || s.echo {
		return checkDiagnostics(pdu)
	}
	if n := rowOf(Diagnostics).response.min; len(pdu) > n {
		return refuse(ErrLong, n, "%d data bytes; the answer of %s has one word (V1.1b3 6.8.1)", len(pdu)-3, s.name)
	}
	return nil
}

// checkAnswerGroups judges inner lengths. The smallest is 3 (reference type and
// one register), against the printed 7, which the standard's own example
// breaks. Source: V1.1b3 6.14.
func checkAnswerGroups(r *row, pdu []byte) *Error {
	if r.function == WriteFileRecord {
		err := checkGroups(r, pdu)
		if err != nil {
			err.Exception = 0 // nobody answers an answer
		}
		return err
	}
	data, at := pdu[2:], 2
	for len(data) > 0 {
		n := int(data[0])
		switch {
		case n < 3 || n%2 == 0:
			return refuse(ErrCount, at, "group length %d; reference type and whole registers take 3, 5, 7 ... (V1.1b3 6.14)", n)
		case 1+n > len(data):
			return refuse(ErrCount, at, "group length %d; only %d bytes are left (V1.1b3 6.14)", n, len(data)-1)
		case data[1] != referenceType:
			return refuse(ErrValue, at+1, "reference type %d; %d is allowed (V1.1b3 6.14)", data[1], referenceType)
		}
		data, at = data[1+n:], at+1+n
	}
	return nil
}

// checkQueue judges the count word, which the byte count includes.
// Source: V1.1b3 6.18.
func checkQueue(r *row, pdu []byte) *Error {
	count, bytes := int(word(pdu, 3)), int(word(pdu, 1))
	if err := r.quantity.within(r, 3, count, "queue count"); err != nil {
		return err
	}
	if bytes != 2+2*count {
		return refuse(ErrCount, 1, "byte count %d; a queue count of %d takes %d (V1.1b3 6.18)", bytes, count, 2+2*count)
	}
	return nil
}

// The values of more follows. Source: V1.1b3 6.21.
const (
	moreNone    = 0x00
	moreFollows = 0xFF
)

var conformityLevels = limit{1, 3}

// individualAccess is the bit of the conformity level that announces single
// object access. Source: V1.1b3 6.21.
const individualAccess = 0x80

func parseInterface(pdu []byte) (Response, *Error) {
	a := Response{Function: EncapsulatedInterface, MEI: pdu[1]}
	if a.MEI == MEICANopen {
		a.Data = pdu[2:]
		return a, nil
	}
	a.Code, a.Conformity, a.More, a.Next = pdu[2], pdu[3], pdu[4] == moreFollows, pdu[5]
	a.Count, a.Data = pdu[objectCountAt], pdu[objectsAt:]
	if err := checkAccessCode(a.Code); err != nil {
		return a, err
	}
	if err := conformityLevels.within(&deviceID, 3, int(a.Conformity&^individualAccess), "conformity level"); err != nil {
		return a, err
	}
	single := a.Code == DeviceIDObject
	switch {
	case pdu[4] != moreNone && pdu[4] != moreFollows:
		return a, refuse(ErrValue, 4, "more follows %02X; 00 and FF are allowed (V1.1b3 6.21)", pdu[4])
	case !a.More && a.Next != 0:
		return a, refuse(ErrValue, 5, "next object %d although nothing follows; 0 is allowed (V1.1b3 6.21)", a.Next)
	case a.More && single:
		return a, refuse(ErrValue, 4, "more follows after a single object; 00 is allowed (V1.1b3 6.21)")
	case a.More && a.Next == 0:
		return a, refuse(ErrValue, 5, "next object 0 although more follow; the stream would begin again (V1.1b3 6.21)")
	case single && a.Count != 1:
		return a, refuse(ErrCount, objectCountAt, "%d objects; single access gives 1 (V1.1b3 6.21)", a.Count)
	}
	return a, nil
}

// Append appends the answer's PDU. It refuses what ParseResponse would, with
// the same errors.
func (a Response) Append(dst []byte) ([]byte, error) {
	start := len(dst)
	dst = a.appendTo(dst)
	err := fitsData(a.Data)
	if a.Quantity < 0 || a.Quantity > 0xFFFF {
		err = refuse(ErrValue, 3, "quantity %d; the field holds 0 to 65535 (V1.1b3 4.4)", a.Quantity)
	}
	if a.Exception != 0 && a.Function&exceptionBit != 0 {
		err = refuse(ErrFunction, 0, "%s; an exception belongs to a function of 1 to 127 (V1.1b3 4.1)", a.Function)
	}
	if err == nil {
		_, err = parseResponse(dst[start:])
	}
	if err != nil {
		return nil, err
	}
	return dst, nil
}

func (a Response) appendTo(dst []byte) []byte {
	if a.Exception != 0 {
		return append(dst, byte(a.Function)|exceptionBit, byte(a.Exception))
	}
	dst = append(dst, byte(a.Function))
	switch a.Function {
	case WriteSingleCoil, WriteSingleRegister:
		return appendInts(dst, int(a.Address), int(a.Value))
	case WriteMultipleCoils, WriteMultipleRegisters:
		return appendInts(dst, int(a.Address), a.Quantity)
	case MaskWriteRegister:
		return appendInts(dst, int(a.Address), int(a.And), int(a.Or))
	case ReadExceptionStatus:
		return append(dst, byte(a.Value))
	case Diagnostics:
		return append(appendInts(dst, int(a.SubFunction)), a.Data...)
	case GetCommEventCounter:
		return appendInts(dst, int(a.Status), int(a.EventCount))
	case GetCommEventLog:
		dst = append(dst, byte(eventWords+len(a.Data)))
		return append(appendInts(dst, int(a.Status), int(a.EventCount), int(a.MessageCount)), a.Data...)
	case ReadFIFOQueue:
		return append(appendInts(dst, 2+len(a.Data), len(a.Data)/2), a.Data...)
	case EncapsulatedInterface:
		return a.appendInterface(dst)
	}
	return appendCounted(dst, a.Data)
}

func (a Response) appendInterface(dst []byte) []byte {
	dst = append(dst, a.MEI)
	if a.MEI == MEIDeviceID {
		more := byte(moreNone)
		if a.More {
			more = moreFollows
		}
		dst = append(dst, a.Code, a.Conformity, more, a.Next, a.Count)
	}
	return append(dst, a.Data...)
}
