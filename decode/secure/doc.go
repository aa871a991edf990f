// Package secure is the profile of Modbus/TCP Security for both ends of a
// connection: which versions and cipher suites are spoken, how the other end's
// certificate is judged, and which role it carries.
//
// Source: MODBUS/TCP Security, MB-TCP-Security v36 (2021-07-30); requirements
// are named by its numbers (R-01 ...). TLS itself is crypto/tls. Nothing is
// dialled or listened on here; LoadClient and LoadServer read files, and
// Handshake speaks over a connection that it is given.
//
// Four requirements cannot be met with crypto/tls and are not claimed: the
// Maximum Fragment Length extension and with it fragments of 512 bytes
// and the suites without encryption. A station that
// insists on one of them is out of reach.
//
// A client's role is read from its certificate on every connection, resumed
// ones too, and what a role may do is decided elsewhere.
package secure
