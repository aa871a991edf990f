package frame

import "bytes"

// Match is the only judge whether a PDU answers a request. It gives the answer,
// or the exception of the same function with its raw code (1 to 255). The error
// is ErrMalformed (with its class) for a PDU that is no answer by the rules of
// its own function, ErrMismatch for a well-formed answer to something else: of
// another function, which is never called an exception of this station, with
// another byte count than the quantity asks for, or with another echo. Padding
// bits behind the last coil are not judged: no value rests on them.
// Source: TCP guide 4.4.1.3; V1.1b3 6.1 to 6.21.
func Match(q Request, pdu []byte) (Response, error) {
	if len(pdu) == 0 {
		return ParseResponse(pdu)
	}
	if f := Function(pdu[0] &^ exceptionBit); f != q.Function {
		what := "an answer"
		if pdu[0]&exceptionBit != 0 {
			what = "an exception"
		}
		return Response{}, refuse(ErrMismatch, 0, "%s of %s came; %s was asked (TCP guide 4.4.1.3)", what, coded(f), coded(q.Function))
	}
	a, err := parseResponse(pdu)
	if err != nil {
		return Response{}, err
	}
	if a.Exception == 0 {
		err = answers(q, a)
	}
	if err != nil {
		return Response{}, err
	}
	return a, nil
}

// answers judges a good answer of the right function against its request.
func answers(q Request, a Response) *Error {
	r := rowOf(q.Function)
	switch q.Function {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters, ReadWriteMultipleRegisters:
		if want := dataBytes(r, q.Quantity); len(a.Data) != want {
			return refuse(ErrMismatch, 1, "byte count %d; a quantity of %d takes %d (V1.1b3 %s)", len(a.Data), q.Quantity, want, r.clause)
		}
	case WriteSingleCoil, WriteSingleRegister, MaskWriteRegister:
		return answersWrite(r, q, a)
	case WriteMultipleCoils, WriteMultipleRegisters:
		if a.Address != q.Address || a.Quantity != q.Quantity {
			return refuse(ErrMismatch, 1, "address %d and quantity %d came back; %d and %d were sent (V1.1b3 %s)",
				a.Address, a.Quantity, q.Address, q.Quantity, r.clause)
		}
	case Diagnostics:
		return answersDiagnostics(q, a)
	case ReadFileRecord:
		return answersFile(q, a)
	case WriteFileRecord:
		if !bytes.Equal(a.Data, q.Data) {
			return refuse(ErrMismatch, 2, "the groups that came back are not those sent (V1.1b3 6.15)")
		}
	case EncapsulatedInterface:
		return answersInterface(q, a)
	}
	return nil
}

func answersWrite(r *row, q Request, a Response) *Error {
	switch {
	case a.Address != q.Address:
		return refuse(ErrMismatch, 1, "address %d came back; %d was sent (V1.1b3 %s)", a.Address, q.Address, r.clause)
	case a.Value != q.Value:
		return refuse(ErrMismatch, 3, "value %04X came back; %04X was sent (V1.1b3 %s)", a.Value, q.Value, r.clause)
	case a.And != q.And || a.Or != q.Or:
		return refuse(ErrMismatch, 3, "masks %04X and %04X came back; %04X and %04X were sent (V1.1b3 %s)", a.And, a.Or, q.And, q.Or, r.clause)
	}
	return nil
}

func answersDiagnostics(q Request, a Response) *Error {
	if a.SubFunction != q.SubFunction {
		return refuse(ErrMismatch, 1, "%s came; %s was asked (V1.1b3 6.8.1)", a.SubFunction, q.SubFunction)
	}
	if s := subRowOf(q.SubFunction); s != nil && s.echo && !bytes.Equal(a.Data, q.Data) {
		return refuse(ErrMismatch, 3, "data % X came back; % X was sent (V1.1b3 6.8.1)", a.Data, q.Data)
	}
	return nil
}

// answersFile holds each group of the answer against its group of the request.
func answersFile(q Request, a Response) *Error {
	asked, came := q.Data, a.Data
	at := 2
	for len(asked) >= groupHead && len(came) > 0 {
		want, n := 1+2*int(word(asked, 5)), int(came[0])
		if n != want {
			return refuse(ErrMismatch, at, "group length %d; the group asked for takes %d (V1.1b3 6.14)", n, want)
		}
		asked, came, at = asked[groupHead:], came[1+n:], at+1+n
	}
	if len(asked) != 0 || len(came) != 0 {
		return refuse(ErrMismatch, at, "another number of groups than asked for (V1.1b3 6.14)")
	}
	return nil
}

// answersInterface judges MEI type, access code and the first object: the one
// asked for, or object 0 where a stream begins again because the station does
// not have it. Source: V1.1b3 6.21.
func answersInterface(q Request, a Response) *Error {
	switch {
	case a.MEI != q.MEI:
		return refuse(ErrMismatch, 1, "MEI type %d came; %d was asked (V1.1b3 6.19)", a.MEI, q.MEI)
	case q.MEI != MEIDeviceID:
		return nil
	case a.Code != q.Code:
		return refuse(ErrMismatch, 2, "access code %d came back; %d was sent (V1.1b3 6.21)", a.Code, q.Code)
	case a.Count == 0:
		return nil
	}
	if first := a.Data[0]; first != q.Object && (first != 0 || q.Code == DeviceIDObject) {
		return refuse(ErrMismatch, objectsAt, "object %d came; %d was asked (V1.1b3 6.21)", first, q.Object)
	}
	return nil
}
