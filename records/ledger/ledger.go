// Package ledger is the Merkle tree over stored bytes (RFC 6962, section 2.1)
// and the signed checkpoint that names one size of it.
//
// It sees opaque bytes and knows no word of the trade. A leaf is whatever the
// caller stored; leaves are counted from 0. The tree's hashes lie in a flat
// list of positions, each written once and never changed, so that the proofs
// for any size, old or new, can be read from the same list.
package ledger

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// HashSize is the length of a Hash in bytes.
const HashSize = tlog.HashSize

// Hash is a SHA-256 hash in the tree. Its String form is standard base64,
// 44 characters.
type Hash = tlog.Hash

// HashReader reads stored hashes by their position in the flat list. It
// returns one hash for each position asked, in the same order, or an error.
type HashReader interface {
	ReadHashes(positions []int64) ([]Hash, error)
}

var (
	// ErrEmpty says that a tree of size 0 was asked for something that only a
	// tree with a leaf has: a checkpoint is never signed over nothing.
	ErrEmpty = errors.New("ledger: the tree is empty")

	// ErrRange says that a leaf or a size lies outside the tree.
	ErrRange = errors.New("ledger: outside the tree")

	// ErrProof says that a proof does not prove what it was brought for.
	ErrProof = errors.New("ledger: the proof does not hold")
)

// LeafHash returns the hash of a leaf: SHA-256 of the byte 0x00 followed by
// entry (RFC 6962, 2.1).
func LeafHash(entry []byte) Hash {
	return tlog.RecordHash(entry)
}

// NodeHash returns the hash of an interior node: SHA-256 of the byte 0x01
// followed by both children (RFC 6962, 2.1).
func NodeHash(left, right Hash) Hash {
	return tlog.NodeHash(left, right)
}

// Stored returns how many hashes a tree of size leaves stores: their
// positions are 0 to Stored(size)-1.
func Stored(size int64) int64 {
	return tlog.StoredHashCount(size)
}

// Position returns where the hash of leaf index stands in the flat list.
func Position(index int64) int64 {
	return tlog.StoredHashIndex(0, index)
}

// LeafAt returns the leaf at whose append the hash at position was written.
func LeafAt(position int64) int64 {
	level, n := tlog.SplitStoredHashIndex(position)
	return (n+1)<<level - 1
}

// RootAt returns the root of the first size leaves. The root of the empty
// tree is SHA-256 of nothing.
func RootAt(r HashReader, size int64) (Hash, error) {
	if size < 0 {
		return Hash{}, fmt.Errorf("%w: size %d", ErrRange, size)
	}
	t, err := Load(r, size)
	if err != nil {
		return Hash{}, err
	}
	return t.Root(), nil
}

// Inclusion returns the proof that leaf index is in the tree of the first
// size leaves (RFC 6962, 2.1.1): the sibling hashes from the leaf upward.
// The proof for the only leaf of a tree of size 1 has no hashes.
func Inclusion(r HashReader, size, index int64) ([]Hash, error) {
	if size < 0 || index < 0 || index >= size {
		return nil, fmt.Errorf("%w: leaf %d of %d", ErrRange, index, size)
	}
	return tlog.ProveRecord(size, index, r)
}

// CheckInclusion returns nil when proof shows that the leaf with hash leaf is
// number index in the tree of size leaves whose root is root. Otherwise the
// error is ErrProof, or ErrRange when index is not in such a tree.
func CheckInclusion(proof []Hash, size int64, root Hash, index int64, leaf Hash) error {
	if size < 0 || index < 0 || index >= size {
		return fmt.Errorf("%w: leaf %d of %d", ErrRange, index, size)
	}
	if err := tlog.CheckRecord(proof, size, root, index, leaf); err != nil {
		return fmt.Errorf("%w: leaf %d in the tree of size %d", ErrProof, index, size)
	}
	return nil
}

// Consistency returns the proof that the tree of the first size leaves
// extends the tree of the first old leaves (RFC 6962, 2.1.2). The proof for
// two equal sizes has no hashes. ErrEmpty is returned for old 0, which
// everything extends.
func Consistency(r HashReader, old, size int64) ([]Hash, error) {
	if err := checkSizes(old, size); err != nil {
		return nil, err
	}
	return tlog.ProveTree(size, old, r)
}

// CheckConsistency returns nil when proof shows that the tree of size leaves
// with the given root extends the tree of old leaves with root oldRoot.
// Otherwise the error is ErrProof, ErrEmpty or ErrRange.
func CheckConsistency(proof []Hash, old int64, oldRoot Hash, size int64, root Hash) error {
	if err := checkSizes(old, size); err != nil {
		return err
	}
	if err := tlog.CheckTree(proof, size, root, old, oldRoot); err != nil {
		return fmt.Errorf("%w: size %d does not extend size %d", ErrProof, size, old)
	}
	return nil
}

func checkSizes(old, size int64) error {
	if old == 0 && size >= 0 {
		return fmt.Errorf("%w: nothing to prove from size 0", ErrEmpty)
	}
	if old < 0 || old > size {
		return fmt.Errorf("%w: from size %d to %d", ErrRange, old, size)
	}
	return nil
}
