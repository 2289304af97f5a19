package ledger

import (
	"crypto/sha256"
	"fmt"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"
)

// levels is how many complete subtrees a tree of at most 2^63-1 leaves has.
const levels = 63

// Tree is the right edge of the tree, which is all that an append needs: the
// roots of its complete subtrees, one for each bit set in its size. The zero
// Tree is empty. A Tree is a plain value: keep a copy before a transaction
// and assign it back when the transaction is rolled back.
type Tree struct {
	size int64
	edge [levels]Hash // edge[l] is in use when bit l of size is set
}

// Load reads the right edge of the tree of the first size leaves.
func Load(r HashReader, size int64) (Tree, error) {
	if size < 0 {
		return Tree{}, fmt.Errorf("%w: size %d", ErrRange, size)
	}
	t := Tree{size: size}
	var positions []int64
	for l := range levels {
		if size>>l&1 == 1 {
			positions = append(positions, tlog.StoredHashIndex(l, size>>l-1))
		}
	}
	hashes, err := r.ReadHashes(positions)
	if err != nil {
		return Tree{}, err
	}
	if len(hashes) != len(positions) {
		return Tree{}, fmt.Errorf("ledger: asked for %d hashes, got %d", len(positions), len(hashes))
	}
	for l := range levels {
		if size>>l&1 == 1 {
			t.edge[l], hashes = hashes[0], hashes[1:]
		}
	}
	return t, nil
}

// Size returns the number of leaves.
func (t *Tree) Size() int64 { return t.size }

// Append adds a leaf by its hash. It appends to out the hashes to store and
// returns the longer slice with the position of the first of them; the others
// follow it without a gap.
func (t *Tree) Append(out []Hash, leaf Hash) (hashes []Hash, position int64) {
	position = tlog.StoredHashIndex(0, t.size)
	out = append(out, leaf)
	h, l := leaf, 0
	for ; t.size>>l&1 == 1; l++ {
		h = tlog.NodeHash(t.edge[l], h)
		out = append(out, h)
	}
	t.edge[l] = h
	t.size++
	return out, position
}

// Root returns the root of the tree; that of the empty tree is SHA-256 of
// nothing (RFC 6962, 2.1).
func (t *Tree) Root() Hash {
	if t.size == 0 {
		return sha256.Sum256(nil)
	}
	l := bits.TrailingZeros64(uint64(t.size))
	root := t.edge[l]
	for l++; l < levels; l++ {
		if t.size>>l&1 == 1 {
			root = tlog.NodeHash(t.edge[l], root)
		}
	}
	return root
}
