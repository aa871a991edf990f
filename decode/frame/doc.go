// Package frame holds the rules of the wire: PDUs of every public function,
// ADUs of the three framings with their checks, the limits, the judgement
// whether an answer answers a request, and how long frames are in bytes and in
// line time. It opens nothing, knows no clock and keeps no state between calls;
// byte slices in its values alias the bytes they were read from.
//
// One row a function (rows.go) holds lengths and limits; parsing, length
// prediction and line time all read that row. Sources are named as in
//
//	V1.1b3        Modbus Application Protocol Specification V1.1b3
//	serial guide  Modbus over Serial Line, Specification and Implementation Guide V1.02
//	TCP guide     Modbus Messaging on TCP/IP Implementation Guide V1.0b
//
// Points and values belong to regmap, exchanges to decode.
package frame
