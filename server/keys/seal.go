package keys

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"
)

const (
	// madeSealBits is the size of a seal key made here, importedSealBits the
	// smallest that is taken from elsewhere.
	madeSealBits     = 3072
	importedSealBits = 2048

	// backdate is how long before its making a certificate begins.
	backdate = time.Hour
)

// SealRequest is what the maker of seal certificates is asked for.
type SealRequest struct {
	// CAKey and SealKey are two new RSA-3072 keys. The CA issues the seal's
	// certificate and nothing else ever: its key is forgotten afterwards, so that
	// even who steals the folder cannot issue a second seal under the CA that
	// binders know.
	CAKey, SealKey crypto.Signer
	// Random gives the serial numbers.
	Random io.Reader
	// Kitchen is the organisation to name.
	Kitchen string
	// NotBefore and NotAfter bound the lives of both certificates; UTC, in whole
	// seconds, as certificates count.
	NotBefore, NotAfter time.Time
}

// SealMaker makes the certificate of SealKey and that of CAKey, which issued it,
// both DER. It is handed in because the room that knows what a sealed document
// needs is not this one.
type SealMaker func(SealRequest) (sealDER, caDER []byte, err error)

// Seal is a key that seals documents, with its certificates.
type Seal struct {
	// Name of its file, such as seal-0001.pem.
	Name string
	// Signer holds the RSA private key of Certificate; nil for a retired seal.
	Signer crypto.Signer
	// Certificate of the key.
	Certificate *x509.Certificate
	// Issuers of Certificate, each issued by the next, the last by itself; empty
	// when Certificate signed itself.
	Issuers []*x509.Certificate
}

// CA returns the certificate at the top of the chain.
func (s Seal) CA() *x509.Certificate {
	if n := len(s.Issuers); n > 0 {
		return s.Issuers[n-1]
	}
	return s.Certificate
}

// ChainDER returns all certificates, the seal's own first.
func (s Seal) ChainDER() [][]byte {
	chain := [][]byte{s.Certificate.Raw}
	for _, cert := range s.Issuers {
		chain = append(chain, cert.Raw)
	}
	return chain
}

// CAPEM returns the certificate at the top of the chain as PEM, to be handed to
// whoever checks sealed documents.
func (s Seal) CAPEM() []byte { return encodeCertificates(s.CA()) }

func (s Seal) encode() []byte {
	return encodeBundle(s.Signer, append([]*x509.Certificate{s.Certificate}, s.Issuers...)...)
}

// makeSeal makes the first seal of a kitchen.
func makeSeal(o Options) (Seal, error) {
	caKey, err := rsa.GenerateKey(o.Random, madeSealBits)
	if err != nil {
		return Seal{}, fmt.Errorf("keys: seal CA key: %w", err)
	}
	sealKey, err := rsa.GenerateKey(o.Random, madeSealBits)
	if err != nil {
		return Seal{}, fmt.Errorf("keys: seal key: %w", err)
	}
	return certifySeal(o, caKey, sealKey)
}

// certifySeal has the certificates made and holds the maker to what was asked of
// it.
func certifySeal(o Options, caKey, sealKey crypto.Signer) (Seal, error) {
	end := o.Now.AddDate(o.SealYears, 0, 0)
	sealDER, caDER, err := o.MakeSeal(SealRequest{
		CAKey: caKey, SealKey: sealKey, Random: o.Random, Kitchen: o.Kitchen,
		NotBefore: o.Now.Add(-backdate).UTC().Truncate(time.Second),
		// A day more, because the seconds are cut off.
		NotAfter: end.AddDate(0, 0, 1).UTC().Truncate(time.Second),
	})
	if err != nil {
		return Seal{}, fmt.Errorf("keys: seal certificate: %w", err)
	}
	var certs []*x509.Certificate
	for _, der := range [][]byte{sealDER, caDER} {
		cert, err := x509.ParseCertificate(der)
		if err != nil {
			return Seal{}, fmt.Errorf("%w: the certificate made for it: %w", ErrSeal, err)
		}
		if cert.NotAfter.Before(end) {
			return Seal{}, fmt.Errorf("%w: %q would end on %s; records have to be checked until %s", ErrSeal,
				cert.Subject.CommonName, cert.NotAfter.UTC().Format(time.DateOnly), end.UTC().Format(time.DateOnly))
		}
		certs = append(certs, cert)
	}
	return fitSeal(sealKey, certs, o.Now)
}

// fitSeal puts certs in order behind key and checks that together they can seal
// documents at the moment now.
func fitSeal(key crypto.Signer, certs []*x509.Certificate, now time.Time) (Seal, error) {
	public, ok := key.Public().(*rsa.PublicKey)
	if !ok || public.N.BitLen() < importedSealBits {
		return Seal{}, fmt.Errorf("%w: the key is not RSA of at least %d bits", ErrSeal, importedSealBits)
	}
	chain, err := orderChain(public, certs)
	if err != nil {
		return Seal{}, err
	}
	for _, cert := range chain {
		if now.Before(cert.NotBefore) || now.After(cert.NotAfter) {
			return Seal{}, fmt.Errorf("%w: %q is valid from %s to %s, not now", ErrSeal, cert.Subject.CommonName,
				cert.NotBefore.UTC().Format(time.RFC3339), cert.NotAfter.UTC().Format(time.RFC3339))
		}
	}
	leaf := chain[0]
	if leaf.IsCA {
		return Seal{}, fmt.Errorf("%w: %q is the certificate of a CA", ErrSeal, leaf.Subject.CommonName)
	}
	if leaf.KeyUsage&(x509.KeyUsageDigitalSignature|x509.KeyUsageContentCommitment) == 0 {
		return Seal{}, fmt.Errorf("%w: %q is not meant for signatures (its key usage says so)", ErrSeal, leaf.Subject.CommonName)
	}
	roots, middle := x509.NewCertPool(), x509.NewCertPool()
	roots.AddCert(chain[len(chain)-1])
	for _, cert := range chain[1:] {
		middle.AddCert(cert)
	}
	if _, err := leaf.Verify(x509.VerifyOptions{Roots: roots, Intermediates: middle, CurrentTime: now,
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny}}); err != nil {
		return Seal{}, fmt.Errorf("%w: the chain does not hold: %w", ErrSeal, err)
	}
	return Seal{Signer: key, Certificate: leaf, Issuers: chain[1:]}, nil
}

// orderChain finds the certificate of public, then its issuer, and so on up to
// one that issued itself. Every certificate must find its place.
func orderChain(public *rsa.PublicKey, certs []*x509.Certificate) ([]*x509.Certificate, error) {
	rest := slices.Clone(certs)
	take := func(is func(*x509.Certificate) bool) *x509.Certificate {
		i := slices.IndexFunc(rest, is)
		if i < 0 {
			return nil
		}
		cert := rest[i]
		rest = slices.Delete(rest, i, i+1)
		return cert
	}
	cert := take(func(c *x509.Certificate) bool { return samePublicKey(c.PublicKey, public) })
	if cert == nil {
		return nil, fmt.Errorf("%w: none of the %d certificates is that of the key", ErrSeal, len(certs))
	}
	chain := []*x509.Certificate{cert}
	for !bytes.Equal(cert.RawIssuer, cert.RawSubject) {
		issuer := take(func(c *x509.Certificate) bool {
			return bytes.Equal(c.RawSubject, cert.RawIssuer) && cert.CheckSignatureFrom(c) == nil
		})
		if issuer == nil {
			return nil, fmt.Errorf("%w: the certificate of the issuer of %q (%s) is missing: add it to the certificates",
				ErrSeal, cert.Subject.CommonName, cert.Issuer)
		}
		chain = append(chain, issuer)
		cert = issuer
	}
	if err := cert.CheckSignature(cert.SignatureAlgorithm, cert.RawTBSCertificate, cert.Signature); err != nil {
		return nil, fmt.Errorf("%w: %q names itself as issuer but did not sign itself: %w", ErrSeal, cert.Subject.CommonName, err)
	}
	if len(rest) > 0 {
		return nil, fmt.Errorf("%w: the certificate %q is not in the chain", ErrSeal, rest[0].Subject.CommonName)
	}
	return chain, nil
}

// ImportSeal puts a key and certificates from elsewhere in use for sealing and
// retires the seal in use. keyPEM holds one RSA private key of at least 2048
// bits (PKCS #8 or PKCS #1, no passphrase); certPEM holds its certificate and
// those of its issuers up to a self-signed one, in any order. They must be valid
// at the moment now, or the error wraps ErrSeal. The certificate in use already is
// left as it is. How long the certificate lasts
// is the issuer's choice and not checked; see Certificate.NotAfter.
func (r *Ring) ImportSeal(keyPEM, certPEM []byte, now time.Time) (Seal, error) {
	found, extra, err := decodeBundle(keyPEM)
	if err != nil {
		return Seal{}, fmt.Errorf("%w: key: %w", ErrSeal, err)
	}
	if len(found) != 1 || len(extra) != 0 {
		return Seal{}, fmt.Errorf("%w: the key's file has to hold one private key and nothing else", ErrSeal)
	}
	surplus, certs, err := decodeBundle(certPEM)
	if err != nil {
		return Seal{}, fmt.Errorf("%w: certificates: %w", ErrSeal, err)
	}
	if len(surplus) != 0 {
		return Seal{}, fmt.Errorf("%w: a private key stands among the certificates", ErrSeal)
	}
	seal, err := fitSeal(found[0], certs, now)
	if err != nil {
		return Seal{}, err
	}

	r.mu.Lock()
	defer r.mu.Unlock()
	if n := len(r.seals); n > 0 && r.seals[n-1].Certificate.Equal(seal.Certificate) {
		return r.seals[n-1], nil
	}
	numbers, err := r.dir.numbers(kindSeal)
	if err != nil {
		return Seal{}, err
	}
	next := 1
	if n := len(numbers); n > 0 {
		next = numbers[n-1] + 1
	}
	if next > maxNumber {
		return Seal{}, fmt.Errorf("%w: no more than %d seals", ErrOptions, maxNumber)
	}
	if err := r.dir.create(kindSeal.name(next), seal.encode()); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return Seal{}, fmt.Errorf("keys: another program imported a seal at this moment: %w", err)
		}
		return Seal{}, err
	}
	if err := r.loadSeals(); err != nil {
		return Seal{}, err
	}
	return r.seals[len(r.seals)-1], nil
}

func (r *Ring) loadSeals() error {
	numbers, err := r.dir.numbers(kindSeal)
	if err != nil {
		return err
	}
	r.seals = nil
	for _, number := range numbers {
		name := kindSeal.name(number)
		data, err := r.dir.read(name)
		if err != nil {
			return err
		}
		found, certs, err := decodeBundle(data)
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrDamaged, r.dir.join(name), err)
		}
		if len(found) != 1 || len(certs) == 0 || !samePublicKey(certs[0].PublicKey, found[0].Public()) {
			return fmt.Errorf("%w: %s: not one key followed by its certificates", ErrDamaged, r.dir.join(name))
		}
		r.seals = append(r.seals, Seal{Name: name, Signer: found[0], Certificate: certs[0], Issuers: certs[1:]})
	}
	return nil
}

// Seal returns the seal in use, or ErrNoSeal. Whether its certificate still
// covers the moment of sealing is for the one who seals to check.
func (r *Ring) Seal() (Seal, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.seals) == 0 {
		return Seal{}, ErrNoSeal
	}
	return r.seals[len(r.seals)-1], nil
}

// RetiredSeals returns the seals that were replaced, oldest first, without their
// signers: documents sealed with them still verify, no new one is.
func (r *Ring) RetiredSeals() []Seal {
	r.mu.Lock()
	defer r.mu.Unlock()
	var retired []Seal
	for i := range len(r.seals) - 1 {
		seal := r.seals[i]
		seal.Signer = nil
		retired = append(retired, seal)
	}
	return retired
}
