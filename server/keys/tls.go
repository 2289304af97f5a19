package keys

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// tlsPair is a key with its certificate.
type tlsPair struct {
	key  crypto.Signer
	cert *x509.Certificate
}

func (p tlsPair) encode() []byte { return encodeBundle(p.key, p.cert) }

// issue makes an ECDSA P-256 key and its certificate, signed by the issuer, or by
// itself when the issuer is the zero pair. The template's serial number and key
// are filled in here.
func issue(template *x509.Certificate, issuer tlsPair, random io.Reader) (tlsPair, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), random)
	if err != nil {
		return tlsPair{}, fmt.Errorf("keys: %w", err)
	}
	// RFC 5280 4.1.2.2: a positive serial number of at most 20 octets.
	serial := make([]byte, 16)
	if _, err := io.ReadFull(random, serial); err != nil {
		return tlsPair{}, fmt.Errorf("keys: serial number: %w", err)
	}
	serial[0] = serial[0]&0x7f | 0x40
	template.SerialNumber = new(big.Int).SetBytes(serial)
	template.BasicConstraintsValid = true
	parent, signer := issuer.cert, issuer.key
	if parent == nil {
		parent, signer = template, key
	}
	der, err := x509.CreateCertificate(random, template, parent, key.Public(), signer)
	if err != nil {
		return tlsPair{}, fmt.Errorf("keys: %w", err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return tlsPair{}, fmt.Errorf("keys: %w", err)
	}
	return tlsPair{key: key, cert: cert}, nil
}

// makeAuthority makes the private CA that tablets are told to trust. It may
// issue certificates of servers and clients and no further CA.
func makeAuthority(o Options) (tlsPair, error) {
	return issue(&x509.Certificate{
		Subject:        pkix.Name{Organization: []string{o.Kitchen}, CommonName: "Kettlebook connections CA"},
		NotBefore:      o.Now.Add(-backdate).UTC(),
		NotAfter:       o.Now.AddDate(o.AuthorityYears, 0, 0).UTC(),
		IsCA:           true,
		MaxPathLenZero: true,
		KeyUsage:       x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		ExtKeyUsage:    []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, tlsPair{}, o.Random)
}

// makeServer makes the server's certificate for lifetime from now, or until the
// CA ends if that is earlier.
func makeServer(authority tlsPair, random io.Reader, now time.Time, lifetime time.Duration, hosts []string) (tlsPair, error) {
	end := now.Add(lifetime)
	if end.After(authority.cert.NotAfter) {
		end = authority.cert.NotAfter
	}
	if !end.After(now) {
		return tlsPair{}, fmt.Errorf("%w (on %s)", ErrAuthorityExpired, authority.cert.NotAfter.Format(time.DateOnly))
	}
	template := &x509.Certificate{
		Subject:     pkix.Name{Organization: authority.cert.Subject.Organization, CommonName: "Kettlebook server"},
		NotBefore:   now.Add(-backdate).UTC(),
		NotAfter:    end.UTC(),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if template.NotBefore.Before(authority.cert.NotBefore) {
		template.NotBefore = authority.cert.NotBefore
	}
	for _, host := range append([]string{"localhost", "127.0.0.1", "::1"}, hosts...) {
		if addr, err := netip.ParseAddr(host); err == nil && addr.Zone() == "" {
			ip := net.IP(addr.Unmap().AsSlice())
			if !slices.ContainsFunc(template.IPAddresses, ip.Equal) {
				template.IPAddresses = append(template.IPAddresses, ip)
			}
			continue
		}
		name := strings.ToLower(strings.TrimSuffix(host, "."))
		if !isHostName(name) {
			return tlsPair{}, fmt.Errorf("%w: %q is neither a host name nor an address", ErrOptions, host)
		}
		if !slices.Contains(template.DNSNames, name) {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	return issue(template, authority, random)
}

// isHostName tells whether a name has the form of RFC 1123 section 2.1: labels
// of 1 to 63 letters, digits and inner hyphens, at most 253 characters in all.
// A name of digits and dots only is a mistyped address.
func isHostName(name string) bool {
	if len(name) > 253 || strings.Trim(name, "0123456789.") == "" {
		return false
	}
	for label := range strings.SplitSeq(name, ".") {
		if len(label) < 1 || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' ||
			strings.Trim(label, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			return false
		}
	}
	return true
}

func (r *Ring) loadTLS() error {
	authority, err := r.readPair(kindAuthority)
	if err != nil {
		return err
	}
	server, err := r.readPair(kindServer)
	if err != nil {
		return err
	}
	if err := server.cert.CheckSignatureFrom(authority.cert); err != nil {
		return fmt.Errorf("%w: the server's certificate is not from the private CA beside it: %w", ErrDamaged, err)
	}
	r.authority, r.server = authority, server
	return nil
}

func (r *Ring) readPair(k kind) (tlsPair, error) {
	number, err := r.newest(k)
	if err != nil {
		return tlsPair{}, err
	}
	name := k.name(number)
	data, err := r.dir.read(name)
	if err != nil {
		return tlsPair{}, err
	}
	found, certs, err := decodeBundle(data)
	if err != nil {
		return tlsPair{}, fmt.Errorf("%w: %s: %w", ErrDamaged, r.dir.join(name), err)
	}
	if len(found) != 1 || len(certs) != 1 || !samePublicKey(certs[0].PublicKey, found[0].Public()) {
		return tlsPair{}, fmt.Errorf("%w: %s: not one key followed by its certificate", ErrDamaged, r.dir.join(name))
	}
	return tlsPair{key: found[0], cert: certs[0]}, nil
}

// TLSAuthorityPEM returns the certificate of the private CA, for clients to
// trust.
func (r *Ring) TLSAuthorityPEM() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	return encodeCertificates(r.authority.cert)
}

// TLSAuthorityPool returns a pool with the private CA only, for clients in the
// same program.
func (r *Ring) TLSAuthorityPool() *x509.CertPool {
	r.mu.Lock()
	defer r.mu.Unlock()
	pool := x509.NewCertPool()
	pool.AddCert(r.authority.cert)
	return pool
}

// ServerCertificate returns the server's certificate. When less than a third of
// its life is left at the moment now, one with the same hosts and length of life
// is made first and the old one retired. If that fails (a full disk), the old one
// is returned as long as it is valid.
func (r *Ring) ServerCertificate(random io.Reader, now time.Time) (tls.Certificate, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	cert := r.server.cert
	lifetime := cert.NotAfter.Sub(cert.NotBefore) - backdate
	if cert.NotAfter.Sub(now) < lifetime/3 && cert.NotAfter.Before(r.authority.cert.NotAfter) {
		err := r.renewServer(random, now, lifetime, hostsOf(cert))
		if errors.Is(err, fs.ErrExist) {
			err = r.loadTLS() // another program renewed at this moment
		}
		if err != nil && now.After(cert.NotAfter) {
			return tls.Certificate{}, err
		}
	}
	if now.After(r.server.cert.NotAfter) {
		return tls.Certificate{}, fmt.Errorf("%w (on %s)", ErrAuthorityExpired,
			r.authority.cert.NotAfter.Format(time.DateOnly))
	}
	return tls.Certificate{
		Certificate: [][]byte{r.server.cert.Raw},
		PrivateKey:  r.server.key,
		Leaf:        r.server.cert,
	}, nil
}

// SetHosts makes a server certificate for other hosts (localhost, 127.0.0.1 and
// ::1 are always in it) and retires the one in use. Tablets notice nothing: they
// trust the CA, which stays.
func (r *Ring) SetHosts(random io.Reader, now time.Time, lifetime time.Duration, hosts []string) error {
	if lifetime <= 0 {
		return fmt.Errorf("%w: a certificate has to last some time", ErrOptions)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.renewServer(random, now, lifetime, hosts)
}

// Hosts returns the names and addresses in the server's certificate.
func (r *Ring) Hosts() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return hostsOf(r.server.cert)
}

func hostsOf(cert *x509.Certificate) []string {
	hosts := slices.Clone(cert.DNSNames)
	for _, ip := range cert.IPAddresses {
		hosts = append(hosts, ip.String())
	}
	return hosts
}

func (r *Ring) renewServer(random io.Reader, now time.Time, lifetime time.Duration, hosts []string) error {
	number, err := r.newest(kindServer)
	if err != nil {
		return err
	}
	if number >= maxNumber {
		return fmt.Errorf("%w: no more than %d server certificates", ErrOptions, maxNumber)
	}
	server, err := makeServer(r.authority, random, now, lifetime, hosts)
	if err != nil {
		return err
	}
	if err := r.dir.create(kindServer.name(number+1), server.encode()); err != nil {
		return err
	}
	return r.loadTLS()
}

// TLSConfig returns what a server listens with: the certificate of
// ServerCertificate, renewed while the server runs, and TLS 1.2 or later. clock
// tells the time at each handshake.
func (r *Ring) TLSConfig(random io.Reader, clock func() time.Time) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		Time:       clock,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			cert, err := r.ServerCertificate(random, clock())
			if err != nil {
				return nil, err
			}
			return &cert, nil
		},
	}
}
