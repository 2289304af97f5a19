package seal

import (
	"crypto/x509"
	"fmt"
	"slices"
	"time"
)

// Verdict sums up a Report.
type Verdict int

// The verdicts. The zero Verdict means that nothing was checked.
const (
	// Sound: sealed, intact, and every signer chains to an anchor of Trust.
	Sound Verdict = iota + 1
	// NotSigned: no trace of a signature.
	NotSigned
	// UnknownSigner: intact, but nothing was given that tells whose signature it
	// is, or the certificate did not cover the claimed time.
	UnknownSigner
	// Tampered: the file is not what was sealed, or was sealed by a stranger.
	Tampered
)

// String gives the verdict in words.
func (v Verdict) String() string {
	switch v {
	case Sound:
		return "sound"
	case NotSigned:
		return "not signed"
	case UnknownSigner:
		return "intact, signer not known"
	case Tampered:
		return "tampered"
	}
	return fmt.Sprintf("verdict %d", int(v))
}

// Kind is the kind of a Finding.
type Kind int

// The kinds of findings.
const (
	// FlippedByte: the digest over the signed ranges is not the one that was signed.
	FlippedByte Kind = iota + 1
	// AppendedBytes: bytes follow the signature that are not a plain counter-signature.
	AppendedBytes
	// ShrunkRange: the signed ranges end before the end of the signature's own revision, or begin late.
	ShrunkRange
	// NonZeroPadding: something other than zeros stands behind the signature structure.
	NonZeroPadding
	// UpperCaseHex: the signature value is spelled with capital digits or blanks.
	UpperCaseHex
	// OverlappingRange: the two signed ranges overlap or run backwards.
	OverlappingRange
	// GapMismatch: the part left out of the digest is not exactly the signature value.
	GapMismatch
	// ForeignCertificate: an anchor was given and the certificate does not lead to it.
	ForeignCertificate
	// BadSignature: the signature value does not fit the signed attributes and the certificate.
	BadSignature
	// BadCertificate: the certificate may not be used for this, or is not the one that was signed for.
	BadCertificate
	// OutsideValidity: the claimed time lies outside the life of a certificate.
	OutsideValidity
	// ForbiddenChange: a later revision does more than fill in one empty signature field.
	ForbiddenChange
	// WrongSubFilter: the signature is of another kind than ETSI.CAdES.detached.
	WrongSubFilter
	// BadStructure: the file or the signature structure cannot be read as written by Sign.
	BadStructure
)

var kindNames = map[Kind]string{
	FlippedByte: "flipped byte", AppendedBytes: "appended bytes", ShrunkRange: "shrunk range",
	NonZeroPadding: "non-zero padding", UpperCaseHex: "upper-case hex", OverlappingRange: "overlapping range",
	GapMismatch: "gap mismatch", ForeignCertificate: "foreign certificate", BadSignature: "bad signature",
	BadCertificate: "bad certificate", OutsideValidity: "outside validity", ForbiddenChange: "forbidden change",
	WrongSubFilter: "wrong sub-filter", BadStructure: "bad structure",
}

// String gives the kind in words.
func (k Kind) String() string {
	if s, ok := kindNames[k]; ok {
		return s
	}
	return fmt.Sprintf("kind %d", int(k))
}

// Finding is one thing that is wrong.
type Finding struct {
	// Kind tells what sort of thing it is.
	Kind Kind
	// Field is the name of the signature field concerned; empty when it is the file as a whole.
	Field string
	// Detail says it in words, for a person.
	Detail string
}

// String gives "kind: detail", with the field where there is one.
func (f Finding) String() string {
	if f.Field == "" {
		return f.Kind.String() + ": " + f.Detail
	}
	return f.Kind.String() + " (" + f.Field + "): " + f.Detail
}

// Signature is what Verify read about one filled signature field.
type Signature struct {
	// Field is the name of the signature field; empty when no field leads to the signature.
	Field string
	// Name, Location, Reason and ContactInfo are as claimed in the signature dictionary.
	Name, Location, Reason, ContactInfo string
	// SubFilter as spelled, without the slash.
	SubFilter string
	// SignedAt is the claimed time (/M) in UTC; zero when it cannot be read.
	SignedAt time.Time
	// ByteRange holds offset, length, offset, length of the signed parts, in bytes.
	ByteRange [4]int64
	// CoversWholeFile: everything but the signature value is under its digest.
	CoversWholeFile bool
	// CoversRevision: the same, up to the end of the revision that it stands in.
	CoversRevision bool
	// DigestOK: the digest over the ranges is the one in the signed attributes.
	DigestOK bool
	// SignatureOK: the signature over the signed attributes fits the certificate's key.
	SignatureOK bool
	// CommonName of the signer's certificate and of its issuer.
	CommonName, IssuerCommonName string
	// Fingerprint of the signer's certificate, as given by Fingerprint.
	Fingerprint string
	// Certificates carried in the signature, the signer's first, each issued by the next.
	Certificates []*x509.Certificate
	// Trusted: the certificate leads to an anchor of Trust at the claimed time.
	Trusted bool
	// Anchor is the fingerprint of the anchor when Trusted.
	Anchor string
	// CertificateExpired: at Trust.CheckedAt the signer's certificate had run out.
	// It takes nothing away from a signature made during its life.
	CertificateExpired bool
}

// Report is what Verify found.
type Report struct {
	// Verdict sums it up.
	Verdict Verdict
	// Signatures in the order in which they were made.
	Signatures []Signature
	// EmptyFields names the signature fields that nobody has filled.
	EmptyFields []string
	// Findings lists everything that is wrong, most telling first within a signature.
	Findings []Finding
}

// Has tells whether a finding of that kind was made.
func (r Report) Has(kind Kind) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Kind == kind })
}

func (r *Report) add(kind Kind, field, format string, args ...any) {
	r.Findings = append(r.Findings, Finding{Kind: kind, Field: field, Detail: fmt.Sprintf(format, args...)})
}
