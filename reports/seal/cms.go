package seal

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"slices"
)

// Object identifiers of RFC 5652 (CMS), RFC 5035 (signing-certificate-v2),
// RFC 5754 (SHA-256) and RFC 8017 (RSA).
var (
	oidData                 = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 1}
	oidSignedData           = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2}
	oidContentType          = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 3}
	oidMessageDigest        = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 4}
	oidSigningCertificateV2 = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 47}
	oidSHA256               = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, 1}
	oidRSAEncryption        = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 1, 1}
)

// The ASN.1 of RFC 5652, as far as a detached signature by one signer needs it.
type (
	contentInfo struct {
		ContentType asn1.ObjectIdentifier
		Content     signedData `asn1:"explicit,tag:0"`
	}
	signedData struct {
		Version          int
		DigestAlgorithms []pkix.AlgorithmIdentifier `asn1:"set"`
		EncapContentInfo encapsulated
		Certificates     asn1.RawValue // [0] IMPLICIT SET OF Certificate
		SignerInfos      []signerInfo  `asn1:"set"`
	}
	encapsulated struct { // no eContent: the signature is detached
		ContentType asn1.ObjectIdentifier
	}
	signerInfo struct {
		Version            int
		SID                issuerAndSerial
		DigestAlgorithm    pkix.AlgorithmIdentifier
		SignedAttrs        asn1.RawValue // [0] IMPLICIT SET OF attribute
		SignatureAlgorithm pkix.AlgorithmIdentifier
		Signature          []byte
	}
	issuerAndSerial struct {
		Issuer asn1.RawValue
		Serial *big.Int
	}
	attribute struct {
		Type   asn1.ObjectIdentifier
		Values []asn1.RawValue `asn1:"set"`
	}
	// signingCertificateV2 and essCertID are RFC 5035; SHA-256 is the default
	// hash and therefore not spelled out.
	signingCertificateV2 struct {
		Certs []essCertID
	}
	essCertID struct {
		Hash []byte
	}
)

const setOfTag = 0x31

// joinSorted is the content of a DER SET OF: the elements in the order of their bytes.
func joinSorted(elements [][]byte) []byte {
	elements = slices.Clone(elements)
	slices.SortFunc(elements, bytes.Compare)
	return bytes.Join(elements, nil)
}

// encodeAttributes gives the content of the set of signed attributes over a
// digest. Every certificate of the chain is bound, so that none can be added,
// dropped or swapped afterwards.
func encodeAttributes(digest []byte, chain []*x509.Certificate) ([]byte, error) {
	var ids signingCertificateV2
	for _, cert := range chain {
		sum := sha256.Sum256(cert.Raw)
		ids.Certs = append(ids.Certs, essCertID{Hash: sum[:]})
	}
	var elements [][]byte
	for _, a := range []struct {
		oid   asn1.ObjectIdentifier
		value any
	}{{oidContentType, oidData}, {oidMessageDigest, digest}, {oidSigningCertificateV2, ids}} {
		value, err := asn1.Marshal(a.value)
		if err != nil {
			return nil, err
		}
		element, err := asn1.Marshal(attribute{Type: a.oid, Values: []asn1.RawValue{{FullBytes: value}}})
		if err != nil {
			return nil, err
		}
		elements = append(elements, element)
	}
	return joinSorted(elements), nil
}

// attributesHash is the SHA-256 that is signed: over the attributes under the
// tag of a SET OF, not under the [0] that they carry in the structure (RFC 5652, 5.4).
func attributesHash(content []byte) ([]byte, error) {
	set, err := asn1.Marshal(asn1.RawValue{Tag: asn1.TagSet, IsCompound: true, Bytes: content})
	if err != nil {
		return nil, err
	}
	if set[0] != setOfTag {
		return nil, errors.New("the attributes are not under the tag of a SET OF")
	}
	sum := sha256.Sum256(set)
	return sum[:], nil
}

// encodeCMS puts the parts of a signature together.
func encodeCMS(chain []*x509.Certificate, attributes, signature []byte) ([]byte, error) {
	sha := pkix.AlgorithmIdentifier{Algorithm: oidSHA256}
	var certs [][]byte
	for _, cert := range chain {
		certs = append(certs, cert.Raw)
	}
	implicit := func(content []byte) asn1.RawValue {
		return asn1.RawValue{Class: asn1.ClassContextSpecific, Tag: 0, IsCompound: true, Bytes: content}
	}
	return asn1.Marshal(contentInfo{
		ContentType: oidSignedData,
		Content: signedData{
			Version:          1,
			DigestAlgorithms: []pkix.AlgorithmIdentifier{sha},
			EncapContentInfo: encapsulated{ContentType: oidData},
			Certificates:     implicit(joinSorted(certs)),
			SignerInfos: []signerInfo{{
				Version:            1,
				SID:                issuerAndSerial{Issuer: asn1.RawValue{FullBytes: chain[0].RawIssuer}, Serial: chain[0].SerialNumber},
				DigestAlgorithm:    sha,
				SignedAttrs:        implicit(attributes),
				SignatureAlgorithm: pkix.AlgorithmIdentifier{Algorithm: oidRSAEncryption, Parameters: asn1.NullRawValue},
				Signature:          signature,
			}},
		},
	})
}

// sizeCMS is the length of the structure that the key will give, in bytes.
func (k signingKey) sizeCMS() (int, error) {
	attributes, err := encodeAttributes(make([]byte, sha256.Size), k.chain)
	if err != nil {
		return 0, err
	}
	public, ok := k.chain[0].PublicKey.(*rsa.PublicKey)
	if !ok {
		return 0, fmt.Errorf("%w: no RSA key", ErrCertificate)
	}
	der, err := encodeCMS(k.chain, attributes, make([]byte, public.Size()))
	return len(der), err
}

// signCMS signs the digest of a document.
func (k signingKey) signCMS(digest []byte) ([]byte, error) {
	attributes, err := encodeAttributes(digest, k.chain)
	if err != nil {
		return nil, err
	}
	sum, err := attributesHash(attributes)
	if err != nil {
		return nil, err
	}
	// PKCS #1 v1.5 signing is deterministic and takes no random source.
	signature, err := k.signer.Sign(nil, sum, crypto.SHA256)
	if err != nil {
		return nil, fmt.Errorf("seal: signing: %w", err)
	}
	return encodeCMS(k.chain, attributes, signature)
}

// parsedCMS is a signature structure taken apart.
type parsedCMS struct {
	chain      []*x509.Certificate // the signer's first
	attributes []byte              // content of the set of signed attributes
	signature  []byte
	digest     []byte      // from the message-digest attribute
	bound      []essCertID // from the signing-certificate-v2 attribute
	canonical  bool        // written exactly as signCMS writes it
}

// parseCMS takes a signature structure apart. der holds that structure alone.
func parseCMS(der []byte) (parsedCMS, error) {
	var cms parsedCMS
	var info contentInfo
	if rest, err := asn1.Unmarshal(der, &info); err != nil {
		return cms, fmt.Errorf("not a detached signature by one signer: %w", err)
	} else if len(rest) > 0 {
		return cms, errors.New("bytes behind the signature structure")
	}
	if len(info.Content.SignerInfos) != 1 {
		return cms, fmt.Errorf("%d signers in one signature", len(info.Content.SignerInfos))
	}
	signer := info.Content.SignerInfos[0]
	cms.signature, cms.attributes = signer.Signature, signer.SignedAttrs.Bytes
	certs, err := x509.ParseCertificates(info.Content.Certificates.Bytes)
	if err != nil {
		return cms, fmt.Errorf("certificates: %w", err)
	}
	if len(certs) > maxChain {
		return cms, fmt.Errorf("%d certificates", len(certs))
	}
	if cms.chain, err = orderChain(certs, signer.SID); err != nil {
		return cms, err
	}
	if err := cms.parseAttributes(); err != nil {
		return cms, err
	}
	attributes, err := encodeAttributes(cms.digest, cms.chain)
	if err != nil {
		return cms, err
	}
	again, err := encodeCMS(cms.chain, attributes, cms.signature)
	cms.canonical = err == nil && bytes.Equal(again, der)
	return cms, nil
}

// orderChain puts the signer's certificate first and each issuer behind its child.
func orderChain(certs []*x509.Certificate, sid issuerAndSerial) ([]*x509.Certificate, error) {
	var chain []*x509.Certificate
	is := func(cert *x509.Certificate) bool {
		return bytes.Equal(cert.RawIssuer, sid.Issuer.FullBytes) && sid.Serial != nil && cert.SerialNumber.Cmp(sid.Serial) == 0
	}
	for len(certs) > 0 {
		i := slices.IndexFunc(certs, is)
		if i < 0 {
			return nil, errors.New("the certificates do not make one chain from the signer on")
		}
		child := certs[i]
		chain = append(chain, child)
		certs = slices.Delete(slices.Clone(certs), i, i+1)
		is = func(cert *x509.Certificate) bool { return bytes.Equal(cert.RawSubject, child.RawIssuer) }
	}
	if len(chain) == 0 {
		return nil, errors.New("no certificate in the signature")
	}
	return chain, nil
}

// parseAttributes reads the three signed attributes of baseline B-B and refuses others.
func (cms *parsedCMS) parseAttributes() error {
	seen := map[string]bool{}
	for rest := cms.attributes; len(rest) > 0; {
		var a attribute
		var err error
		if rest, err = asn1.Unmarshal(rest, &a); err != nil {
			return fmt.Errorf("signed attributes: %w", err)
		}
		if seen[a.Type.String()] || len(a.Values) != 1 {
			return fmt.Errorf("signed attribute %s does not stand once with one value", a.Type)
		}
		seen[a.Type.String()] = true
		var into any
		switch {
		case a.Type.Equal(oidContentType):
			into = new(asn1.ObjectIdentifier)
		case a.Type.Equal(oidMessageDigest):
			into = &cms.digest
		case a.Type.Equal(oidSigningCertificateV2):
			into = new(signingCertificateV2)
		default:
			return fmt.Errorf("signed attribute %s has no place in a baseline B-B seal", a.Type)
		}
		left, err := asn1.Unmarshal(a.Values[0].FullBytes, into)
		if err != nil || len(left) > 0 {
			return fmt.Errorf("bad value of signed attribute %s", a.Type)
		}
		switch v := into.(type) {
		case *asn1.ObjectIdentifier:
			if !v.Equal(oidData) {
				return fmt.Errorf("the content type is %s", v)
			}
		case *signingCertificateV2:
			cms.bound = v.Certs
		}
	}
	if len(seen) != 3 {
		return fmt.Errorf("%d of 3 signed attributes", len(seen))
	}
	return nil
}

// bindsChain tells whether the signed attributes name exactly the certificates carried.
func (cms parsedCMS) bindsChain() bool {
	return slices.EqualFunc(cms.chain, cms.bound, func(cert *x509.Certificate, id essCertID) bool {
		sum := sha256.Sum256(cert.Raw)
		return bytes.Equal(sum[:], id.Hash)
	})
}

// verify checks the signature over the signed attributes with the signer's key.
func (cms parsedCMS) verify() error {
	key, ok := cms.chain[0].PublicKey.(*rsa.PublicKey)
	if !ok {
		return errors.New("the signer's key is not RSA")
	}
	sum, err := attributesHash(cms.attributes)
	if err != nil {
		return err
	}
	return rsa.VerifyPKCS1v15(key, crypto.SHA256, sum, cms.signature)
}
