package ledger

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
)

var (
	// ErrCheckpoint says that a text is not a checkpoint.
	ErrCheckpoint = errors.New("ledger: not a checkpoint")

	// ErrSignature says that a checkpoint has no valid signature by any of the
	// keys asked for.
	ErrSignature = errors.New("ledger: no valid signature by a known key")
)

// Checkpoint names the tree of one origin at one size.
type Checkpoint struct {
	Origin string // of the ledger, one line of printable text
	Size   int64  // number of leaves, at least 1
	Root   Hash   // of the first Size leaves
}

// Format returns the text that is signed: three lines, each ended by a
// newline, with the origin, the size in decimal and the root in standard
// base64. There is no other spelling of a checkpoint. The error is ErrEmpty
// for a size of 0 and ErrCheckpoint for an origin that is no line of text.
func (c Checkpoint) Format() (string, error) {
	if c.Size == 0 {
		return "", fmt.Errorf("%w: no checkpoint over nothing", ErrEmpty)
	}
	if c.Size < 0 {
		return "", fmt.Errorf("%w: size %d", ErrCheckpoint, c.Size)
	}
	if err := checkOrigin(c.Origin); err != nil {
		return "", err
	}
	root := base64.StdEncoding.EncodeToString(c.Root[:])
	return c.Origin + "\n" + strconv.FormatInt(c.Size, 10) + "\n" + root + "\n", nil
}

func checkOrigin(origin string) error {
	bad := func(r rune) bool { return r == utf8.RuneError || !unicode.IsPrint(r) }
	if origin == "" || strings.TrimSpace(origin) != origin || strings.IndexFunc(origin, bad) >= 0 {
		return fmt.Errorf("%w: origin %q", ErrCheckpoint, origin)
	}
	return nil
}

// ParseCheckpoint reads what Format wrote, and nothing else. The error is
// ErrCheckpoint.
func ParseCheckpoint(text string) (Checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[3] != "" {
		return Checkpoint{}, fmt.Errorf("%w: wanted three lines", ErrCheckpoint)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 1 {
		return Checkpoint{}, fmt.Errorf("%w: size %q", ErrCheckpoint, lines[1])
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil || len(root) != HashSize {
		return Checkpoint{}, fmt.Errorf("%w: root %q", ErrCheckpoint, lines[2])
	}
	c := Checkpoint{Origin: lines[0], Size: size, Root: Hash(root)}
	// A leading zero or a plus, or stray bits in the base64, would be a second
	// spelling.
	if again, err := c.Format(); err != nil || again != text {
		return Checkpoint{}, fmt.Errorf("%w: not the one spelling", ErrCheckpoint)
	}
	return c, nil
}

// SignCheckpoint returns c as a signed note: the text of Format, an empty line
// and a line with the signer's name, key id and signature. The errors are
// those of Format and of the signer.
func SignCheckpoint(c Checkpoint, signer note.Signer) ([]byte, error) {
	text, err := c.Format()
	if err != nil {
		return nil, err
	}
	return note.Sign(&note.Note{Text: text}, signer)
}

// OpenCheckpoint returns the checkpoint in a signed note. At least one of the
// verifiers must have signed it, and no signature that claims to be by one of
// them may be wrong; signatures by others are passed over. The error is
// ErrSignature or ErrCheckpoint. The caller compares the origin with the one
// expected.
func OpenCheckpoint(signed []byte, verifiers ...note.Verifier) (Checkpoint, error) {
	n, err := note.Open(signed, note.VerifierList(verifiers...))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("%w: %w", ErrSignature, err)
	}
	return ParseCheckpoint(n.Text)
}
