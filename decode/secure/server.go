package secure

import (
	"crypto/tls"
	"crypto/x509"
)

// A Server is the station's end.
type Server struct{ *end }

// LoadServer reads what a station is provisioned with. Errors are
// *CertificateError where a certificate is at fault.
func LoadServer(f Files) (*Server, error) {
	e, err := load(f, x509.ExtKeyUsageServerAuth)
	if err != nil {
		return nil, err
	}
	return &Server{e}, nil
}

// Config is the TLS configuration of the station's end: a connection without a
// client's certificate, or with one that cannot be trusted or whose role cannot
// be read, ends in the handshake. All of it is judged
// again when a session is resumed.
func (s *Server) Config() *tls.Config {
	c := s.config()
	c.Certificates = []tls.Certificate{s.certificate}
	c.ClientCAs = s.roots
	// The library's own verification knows no critical role extension and is not
	// asked again when a session is resumed; VerifyConnection is.
	c.ClientAuth = tls.RequireAnyClientCert
	c.VerifyConnection = func(state tls.ConnectionState) error {
		_, err := s.Role(state)
		return err
	}
	return c
}

// Role judges the client's certificate of a connection and gives its role. It
// is taken from the connection each time, never from an address.
func (s *Server) Role(state tls.ConnectionState) (Role, error) {
	const who = "the client's certificate"
	if err := s.judge(who, state.PeerCertificates, x509.ExtKeyUsageClientAuth); err != nil {
		return Role{}, err
	}
	role, err := RoleOf(state.PeerCertificates[0])
	if err != nil {
		return Role{}, wrong(ErrRole, "%s: %v", who, err)
	}
	return role, nil
}
