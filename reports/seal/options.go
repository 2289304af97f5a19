package seal

import (
	"crypto"
	"errors"
	"time"
)

// Errors that callers may want to tell apart; the returned errors wrap them.
var (
	// ErrDocument says that the bytes handed in are not a PDF that can be sealed
	// or read here (no classic cross-reference table, encrypted, a form of its own).
	ErrDocument = errors.New("seal: the document cannot be used")
	// ErrOptions says that the options contradict themselves or lack something.
	ErrOptions = errors.New("seal: bad options")
	// ErrCertificate says that key, certificate or chain do not fit together or
	// do not cover the time of signing.
	ErrCertificate = errors.New("seal: bad certificate")
	// ErrField says that there is no such signature field or that it is filled already.
	ErrField = errors.New("seal: bad signature field")
)

// Names that the two signature fields have unless Options says otherwise.
const (
	DefaultSealField    = "Seal"
	DefaultCounterField = "CounterSignature"
)

// Options says who seals, when, with what, and what the pages show.
type Options struct {
	// Signer holds the RSA private key (at least 2048 bits) of the first certificate in Chain.
	Signer crypto.Signer
	// Chain holds DER certificates, the signer's first, each issued by the next.
	// All of them go into the file; end with the CA so that its fingerprint can be an anchor.
	Chain [][]byte
	// SignedAt is the claimed time, kept to the second as /M in UTC. Every
	// certificate in Chain must be valid at that moment.
	SignedAt time.Time

	// Name is the printed name of the kitchen or person; required.
	Name string
	// Location, Reason and ContactInfo are optional entries of the signature dictionary.
	Location, Reason, ContactInfo string
	// Lines is the text drawn in the field once it is filled. When empty it is
	// the field's label, Name and SignedAt in UTC.
	Lines []string

	// Seal and Counter say where the two fields stand. Only Sign reads them.
	Seal, Counter Field
	// Attachments are embedded in revision 2. Only Sign reads them.
	Attachments []Attachment
}

// Field places one signature field.
type Field struct {
	// Name of the field, without a full stop; unique in the document.
	// Empty means DefaultSealField or DefaultCounterField.
	Name string
	// Label is drawn in the empty field and is the tooltip of viewers.
	// Empty means "Sealed by" or "Counter-signature".
	Label string
	// Page counts from 1; 0 is the last page.
	Page int
	// Rect is the place on the page. The zero Rect is the left (seal) or the
	// right (counter-signature) half of the bottom margin.
	Rect Rect
}

// Rect is a rectangle on a page in points (1/72 inch), measured from the page's
// lower left corner.
type Rect struct {
	X, Y, Width, Height float64
}

// Relationship of an attachment to the pages, the AFRelationship of ISO 32000-2.
type Relationship string

const (
	// Data is information that the pages present, such as the readings behind a table.
	Data Relationship = "Data"
	// Source is the material that the pages were made from.
	Source Relationship = "Source"
)

// Attachment is a file inside the document.
type Attachment struct {
	// Name of the file, without a folder.
	Name string
	// MIMEType such as "application/json".
	MIMEType string
	// Description is shown beside the name in viewers; optional.
	Description string
	// Relationship to the pages; empty means Data.
	Relationship Relationship
	// Data is the content, byte for byte.
	Data []byte
}
