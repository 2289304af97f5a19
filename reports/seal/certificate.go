package seal

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"io"
	"math/big"
	"strings"
	"time"
)

// madeKeyBits is the smallest RSA key that a certificate is made for;
// readKeyBits the smallest that is believed when checking. maxKeyBits and
// maxChain bound the work that a hostile file can ask for.
const (
	madeKeyBits = 3072
	readKeyBits = 2048
	maxKeyBits  = 8192
	maxChain    = 8
)

// Subject names the holder of a certificate. CommonName is required.
type Subject struct {
	CommonName, Organization, Locality string
	// Country is the two-letter code of ISO 3166-1; optional.
	Country string
}

func (s Subject) name() (pkix.Name, error) {
	if strings.TrimSpace(s.CommonName) == "" {
		return pkix.Name{}, fmt.Errorf("%w: the subject has no common name", ErrOptions)
	}
	if s.Country != "" && len(s.Country) != 2 {
		return pkix.Name{}, fmt.Errorf("%w: country %q is not a two-letter code", ErrOptions, s.Country)
	}
	n := pkix.Name{CommonName: s.CommonName}
	for _, part := range []struct {
		text string
		into *[]string
	}{{s.Organization, &n.Organization}, {s.Locality, &n.Locality}, {s.Country, &n.Country}} {
		if part.text != "" {
			*part.into = []string{part.text}
		}
	}
	return n, nil
}

// MakeCA makes a self-signed CA certificate (DER) for signer, an RSA key of at
// least 3072 bits. It may issue seal certificates and nothing below them. random
// gives the serial number; the same inputs give the same bytes.
func MakeCA(signer crypto.Signer, random io.Reader, subject Subject, notBefore, notAfter time.Time) ([]byte, error) {
	template, err := certificateTemplate(signer.Public(), random, subject, notBefore, notAfter)
	if err != nil {
		return nil, err
	}
	template.IsCA = true
	template.MaxPathLenZero = true
	template.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageCRLSign
	return x509.CreateCertificate(random, template, template, signer.Public(), signer)
}

// MakeSealCertificate makes the certificate (DER) of a sealing key, an RSA key of
// at least 3072 bits, issued by the CA whose certificate is caDER and whose key is
// caSigner. Its key usage is digitalSignature and nonRepudiation; its life must
// lie within the CA's.
func MakeSealCertificate(caSigner crypto.Signer, caDER []byte, public crypto.PublicKey, random io.Reader,
	subject Subject, notBefore, notAfter time.Time) ([]byte, error) {
	ca, err := x509.ParseCertificate(caDER)
	if err != nil {
		return nil, fmt.Errorf("%w: CA: %w", ErrCertificate, err)
	}
	if !ca.IsCA || !samePublicKey(ca.PublicKey, caSigner.Public()) {
		return nil, fmt.Errorf("%w: %q is no CA or its key is another one", ErrCertificate, ca.Subject.CommonName)
	}
	if notBefore.Before(ca.NotBefore) || notAfter.After(ca.NotAfter) {
		return nil, fmt.Errorf("%w: a life from %s to %s exceeds the CA's", ErrOptions,
			notBefore.UTC().Format(time.DateOnly), notAfter.UTC().Format(time.DateOnly))
	}
	template, err := certificateTemplate(public, random, subject, notBefore, notAfter)
	if err != nil {
		return nil, err
	}
	template.KeyUsage = x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment
	return x509.CreateCertificate(random, template, ca, public, caSigner)
}

// certificateTemplate holds what both kinds of certificate have in common.
func certificateTemplate(public crypto.PublicKey, random io.Reader, subject Subject,
	notBefore, notAfter time.Time) (*x509.Certificate, error) {
	key, ok := public.(*rsa.PublicKey)
	if !ok || key.N.BitLen() < madeKeyBits {
		return nil, fmt.Errorf("%w: the key is not RSA of at least %d bits", ErrCertificate, madeKeyBits)
	}
	name, err := subject.name()
	if err != nil {
		return nil, err
	}
	if !notBefore.Before(notAfter) {
		return nil, fmt.Errorf("%w: the certificate would end before it begins", ErrOptions)
	}
	// RFC 5280 4.1.2.2: a positive serial number of at most 20 octets.
	serial := make([]byte, 16)
	if _, err := io.ReadFull(random, serial); err != nil {
		return nil, fmt.Errorf("seal: serial number: %w", err)
	}
	serial[0] = serial[0]&0x7f | 0x40
	// RFC 7093 method 1: the leftmost 160 bits of the SHA-256 of the public key.
	keyID := sha256.Sum256(x509.MarshalPKCS1PublicKey(key))
	return &x509.Certificate{
		SerialNumber:          new(big.Int).SetBytes(serial),
		Subject:               name,
		NotBefore:             notBefore.UTC(),
		NotAfter:              notAfter.UTC(),
		SubjectKeyId:          keyID[:20],
		BasicConstraintsValid: true,
		SignatureAlgorithm:    x509.SHA256WithRSA,
	}, nil
}

// Fingerprint is the SHA-256 of a DER certificate in lower-case hexadecimal,
// two digits a byte with colons between, 95 characters.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	var b strings.Builder
	for i, octet := range sum {
		if i > 0 {
			b.WriteByte(':')
		}
		fmt.Fprintf(&b, "%02x", octet)
	}
	return b.String()
}

func samePublicKey(a, b crypto.PublicKey) bool {
	key, ok := a.(interface{ Equal(crypto.PublicKey) bool })
	return ok && key.Equal(b)
}

// signingKey is what Sign and CounterSign need to know about the signer.
type signingKey struct {
	signer crypto.Signer
	chain  []*x509.Certificate
}

// newSigningKey checks that key, chain and time of signing fit together.
func newSigningKey(opt Options) (signingKey, error) {
	if opt.Signer == nil || len(opt.Chain) == 0 {
		return signingKey{}, fmt.Errorf("%w: no key or no certificate", ErrOptions)
	}
	key := signingKey{signer: opt.Signer}
	for i, der := range opt.Chain {
		cert, err := x509.ParseCertificate(der)
		if err != nil {
			return signingKey{}, fmt.Errorf("%w: certificate %d: %w", ErrCertificate, i+1, err)
		}
		key.chain = append(key.chain, cert)
		if !validAt(cert, opt.SignedAt) {
			return signingKey{}, fmt.Errorf("%w: %q does not cover %s", ErrCertificate,
				cert.Subject.CommonName, opt.SignedAt.UTC().Format(time.RFC3339))
		}
	}
	if err := checkChain(key.chain); err != nil {
		return signingKey{}, fmt.Errorf("%w: %w", ErrCertificate, err)
	}
	if !samePublicKey(key.chain[0].PublicKey, opt.Signer.Public()) {
		return signingKey{}, fmt.Errorf("%w: the key is not that of the first certificate", ErrCertificate)
	}
	return key, nil
}

// checkChain tells whether the first certificate may stand behind a seal and
// each was issued by the next one.
func checkChain(chain []*x509.Certificate) error {
	if len(chain) > maxChain {
		return fmt.Errorf("%d certificates", len(chain))
	}
	for _, cert := range chain {
		if key, ok := cert.PublicKey.(*rsa.PublicKey); ok && key.N.BitLen() > maxKeyBits {
			return fmt.Errorf("the key of %q has %d bits", cert.Subject.CommonName, key.N.BitLen())
		}
	}
	if err := checkLeaf(chain[0]); err != nil {
		return err
	}
	return checkOrder(chain)
}

// checkLeaf tells whether a certificate may stand behind a seal.
func checkLeaf(cert *x509.Certificate) error {
	key, ok := cert.PublicKey.(*rsa.PublicKey)
	if !ok || key.N.BitLen() < readKeyBits {
		return fmt.Errorf("the key of %q is not RSA of at least %d bits", cert.Subject.CommonName, readKeyBits)
	}
	if cert.IsCA {
		return fmt.Errorf("%q is a CA and does not seal", cert.Subject.CommonName)
	}
	if cert.KeyUsage&(x509.KeyUsageDigitalSignature|x509.KeyUsageContentCommitment) == 0 {
		return fmt.Errorf("the key of %q is not meant for signatures", cert.Subject.CommonName)
	}
	return nil
}

// checkOrder tells whether each certificate was issued by the next one.
func checkOrder(chain []*x509.Certificate) error {
	for i := range len(chain) - 1 {
		child, parent := chain[i], chain[i+1]
		if !bytes.Equal(child.RawIssuer, parent.RawSubject) {
			return fmt.Errorf("%q was not issued by %q", child.Subject.CommonName, parent.Subject.CommonName)
		}
		if err := child.CheckSignatureFrom(parent); err != nil {
			return fmt.Errorf("%q was not issued by %q: %w", child.Subject.CommonName, parent.Subject.CommonName, err)
		}
	}
	return nil
}

func validAt(cert *x509.Certificate, at time.Time) bool {
	return !at.Before(cert.NotBefore) && !at.After(cert.NotAfter)
}
