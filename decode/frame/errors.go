package frame

import (
	"errors"
	"fmt"
)

// The classes of refusal, for errors.Is.
var (
	ErrMore = errors.New("more bytes are needed") // of Codec.Next only: nothing is wrong yet

	ErrShort     = errors.New("too short")             // bytes are missing
	ErrLong      = errors.New("too long")              // bytes are left over
	ErrFunction  = errors.New("unknown function")      // function, sub-function or MEI type
	ErrCount     = errors.New("counts disagree")       // a byte count against quantity, bytes present or an inner length
	ErrValue     = errors.New("not an allowed value")  // a field beyond its limits
	ErrChecksum  = errors.New("checksum wrong")        // CRC or LRC
	ErrProtocol  = errors.New("not Modbus")            // the MBAP protocol identifier
	ErrLength    = errors.New("not an allowed length") // of an ADU, or in the MBAP header: the stream is lost
	ErrCharacter = errors.New("not an ASCII frame")    // a character that ASCII framing does not have
	ErrFraming   = errors.New("unknown framing")

	// ErrMalformed holds for every PDU that is no answer by the rules of its own
	// function; ErrMismatch for a well-formed one that is not the answer to the
	// request. Source: TCP guide 4.4.1.3 (negative confirmation).
	ErrMalformed = errors.New("malformed")
	ErrMismatch  = errors.New("not an answer to this request")
)

// An Error says why bytes were refused. It is its Class for errors.Is, and
// ErrMalformed too when the fault is inside a PDU.
type Error struct {
	Class     error     // one of the Err values above
	Offset    int       // of the byte at fault, from the start of the PDU or ADU
	Exception Exception // what the standard wants a station to answer; 0 for answers and ADUs
	Words     string    // what was found, what is allowed, and the clause
	Computed  uint16    // of ErrChecksum: the check that the bytes ask for
	Found     uint16    // of ErrChecksum: the check that came
	inPDU     bool
}

// Error is the sentence: "checksum wrong: CRC 12 34 came, ...".
func (e *Error) Error() string { return e.Class.Error() + ": " + e.Words }

// Is makes errors.Is work for the class and for ErrMalformed.
func (e *Error) Is(target error) bool {
	return target == e.Class || target == ErrMalformed && e.inPDU && e.Class != ErrMismatch
}

// refuse is a fault inside a PDU.
func refuse(class error, offset int, format string, args ...any) *Error {
	return &Error{Class: class, Offset: offset, Words: fmt.Sprintf(format, args...), inPDU: true}
}

// reject is a fault of an ADU.
func reject(class error, offset int, format string, args ...any) *Error {
	return &Error{Class: class, Offset: offset, Words: fmt.Sprintf(format, args...)}
}
