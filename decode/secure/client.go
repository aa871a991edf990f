package secure

import (
	"crypto/tls"
	"crypto/x509"
	"sync"
)

// A Client is our end towards one station.
type Client struct {
	*end
	station  string // the name that its certificate must carry
	sessions *sessions
}

// LoadClient reads what a client is provisioned with; station is the name or
// address that the station's certificate must carry. Errors are
// *CertificateError where a certificate is at fault.
func LoadClient(f Files, station string) (*Client, error) {
	e, err := load(f, x509.ExtKeyUsageClientAuth)
	if err != nil {
		return nil, err
	}
	return &Client{e, station, newSessions()}, nil
}

// Resume takes over the sessions of an earlier client of the same station, so
// that the next handshake is short. Sessions of another certificate, key
// or authority are left behind.
func (c *Client) Resume(earlier *Client) {
	if earlier != nil && earlier.digest == c.digest && earlier.station == c.station {
		c.sessions = earlier.sessions
	}
}

// OwnRole is the role in our own certificate.
func (c *Client) OwnRole() Role { return c.role }

// Config is the TLS configuration of the client's end. The station's
// certificate is judged on every connection, also when a session is resumed.
func (c *Client) Config() *tls.Config {
	t := c.config()
	t.RootCAs = c.roots
	t.ClientSessionCache = c.sessions
	t.ServerName = c.station // an address is not sent (RFC 6066, 3)
	// The certificate is sent also where the station names other authorities:
	// "unknown authority" says more than "none was sent".
	t.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &c.certificate, nil }
	// The library's own verification refuses a critical role extension, which
	// means nothing in a station's certificate (table 5), and does not look for
	// withdrawn certificates; VerifyConnection does all of it.
	t.InsecureSkipVerify = true
	t.VerifyConnection = func(state tls.ConnectionState) error {
		return c.judgeStation(state.PeerCertificates)
	}
	return t
}

func (c *Client) judgeStation(certs []*x509.Certificate) error {
	const who = "the station's certificate"
	if err := c.judge(who, certs, x509.ExtKeyUsageServerAuth); err != nil {
		return err
	}
	if certs[0].VerifyHostname(c.station) != nil {
		return wrong(ErrName, "%s is for %s, not for %q; reach it by that name, or give the name that it must carry as name", who, names(certs[0]), c.station)
	}
	return nil
}

// sessions is a client's session cache that can be emptied: after a fatal alert
// nothing is resumed.
type sessions struct {
	mu    sync.Mutex
	cache tls.ClientSessionCache
}

// maxSessions is how many sessions are kept. There is one station, and each
// connection to it brings one or two tickets.
const maxSessions = 4

func newSessions() *sessions { return &sessions{cache: tls.NewLRUClientSessionCache(maxSessions)} }

// Get is a session to resume.
func (s *sessions) Get(key string) (*tls.ClientSessionState, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cache.Get(key)
}

// Put keeps a session, or drops it where it is nil.
func (s *sessions) Put(key string, state *tls.ClientSessionState) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cache.Put(key, state)
}

// forget drops all.
func (s *sessions) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cache = tls.NewLRUClientSessionCache(maxSessions)
}
