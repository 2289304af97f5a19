package seal

import (
	"bytes"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Trust holds the anchors that a signer may lead to. The zero Trust has none:
// the best verdict is then UnknownSigner. System certificates are never used.
type Trust struct {
	// CheckedAt is the moment of checking. It only decides
	// Signature.CertificateExpired; certificates are judged at the claimed time.
	CheckedAt time.Time

	prints map[string]bool // fingerprints as given by Fingerprint
	certs  []*x509.Certificate
}

// AddFingerprint adds the SHA-256 fingerprint of a signer's certificate or of a
// CA: 64 hexadecimal digits in either case, colons and blanks ignored.
func (t *Trust) AddFingerprint(text string) error {
	digits := strings.NewReplacer(":", "", " ", "").Replace(strings.TrimSpace(text))
	sum, err := hex.DecodeString(digits)
	if err != nil || len(sum) != 32 {
		return fmt.Errorf("%w: %q is not a SHA-256 fingerprint", ErrOptions, text)
	}
	var print strings.Builder
	for i, octet := range sum {
		if i > 0 {
			print.WriteByte(':')
		}
		fmt.Fprintf(&print, "%02x", octet)
	}
	prints := maps.Clone(t.prints) // a copied Trust must not share what it adds
	if prints == nil {
		prints = map[string]bool{}
	}
	prints[print.String()] = true
	t.prints = prints
	return nil
}

// AddPEM adds every certificate in PEM text, CAs and signers' own alike. Text
// with anything but certificates in it, or with none, is an error.
func (t *Trust) AddPEM(text []byte) error {
	var found []*x509.Certificate
	for rest := text; len(bytes.TrimSpace(rest)) > 0; {
		var block *pem.Block
		block, rest = pem.Decode(rest)
		if block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			return fmt.Errorf("%w: a %s where a certificate was expected", ErrOptions, strings.ToLower(block.Type))
		}
		cert, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrCertificate, err)
		}
		found = append(found, cert)
	}
	if len(found) == 0 {
		return fmt.Errorf("%w: no certificate in the text", ErrOptions)
	}
	t.certs = append(slices.Clone(t.certs), found...)
	return nil
}

// Empty tells whether no anchor was added.
func (t Trust) Empty() bool { return len(t.prints) == 0 && len(t.certs) == 0 }

// anchors tells whether a certificate itself is an anchor.
func (t Trust) anchors(cert *x509.Certificate) bool {
	return t.prints[Fingerprint(cert.Raw)] || slices.ContainsFunc(t.certs, cert.Equal)
}

// errOutside says that a chain leads to an anchor, but not at the claimed time.
var errOutside = errors.New("outside the life of a certificate")

// judge looks for a way from the first certificate of chain to an anchor at the
// claimed time. It gives the anchor, or errOutside, or another error when there
// is no way at all.
func (t Trust) judge(chain []*x509.Certificate, at time.Time) (*x509.Certificate, error) {
	leaf := chain[0]
	if t.anchors(leaf) {
		if !validAt(leaf, at) {
			return nil, errOutside
		}
		return leaf, nil
	}
	roots, between := x509.NewCertPool(), x509.NewCertPool()
	for _, cert := range t.certs {
		roots.AddCert(cert)
	}
	living := leaf.NotBefore // a moment at which the whole chain lived, if there was one
	for _, cert := range chain[1:] {
		if t.anchors(cert) {
			roots.AddCert(cert)
		} else {
			between.AddCert(cert)
		}
		if cert.NotBefore.After(living) {
			living = cert.NotBefore
		}
	}
	options := x509.VerifyOptions{
		Roots: roots, Intermediates: between, CurrentTime: at,
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny},
	}
	ways, err := leaf.Verify(options)
	if err == nil {
		return ways[0][len(ways[0])-1], nil
	}
	// A stranger's certificate that has also run out is a stranger's first of all.
	options.CurrentTime = living
	if _, again := leaf.Verify(options); again == nil && !living.IsZero() {
		return nil, errOutside
	}
	return nil, err
}
