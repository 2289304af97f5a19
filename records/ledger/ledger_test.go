package ledger_test

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"kettlebook/records/ledger"
)

// memory is the flat list of hashes.
type memory []ledger.Hash

func (m memory) ReadHashes(positions []int64) ([]ledger.Hash, error) {
	out := make([]ledger.Hash, len(positions))
	for i, p := range positions {
		if p < 0 || p >= int64(len(m)) {
			return nil, fmt.Errorf("no hash %d", p)
		}
		out[i] = m[p]
	}
	return out, nil
}

// grow appends leaves and returns the list, and the tree after each.
func grow(t testing.TB, leaves [][]byte) (memory, []ledger.Tree) {
	var tree ledger.Tree
	list := memory{}
	trees := []ledger.Tree{tree}
	for i, l := range leaves {
		var position int64
		var made []ledger.Hash
		made, position = tree.Append(nil, ledger.LeafHash(l))
		if position != int64(len(list)) || position != ledger.Position(int64(i)) {
			t.Fatalf("leaf %d begins at position %d, list has %d", i, position, len(list))
		}
		for p := range made {
			if got := ledger.LeafAt(position + int64(p)); got != int64(i) {
				t.Fatalf("LeafAt(%d) = %d, want %d", position+int64(p), got, i)
			}
		}
		list = append(list, made...)
		if got := ledger.Stored(tree.Size()); got != int64(len(list)) {
			t.Fatalf("Stored(%d) = %d, list has %d", tree.Size(), got, len(list))
		}
		trees = append(trees, tree)
	}
	return list, trees
}

type vectors struct {
	leaves      [][]byte
	roots       map[int64]ledger.Hash
	inclusion   map[[2]int64][]ledger.Hash
	consistency map[[2]int64][]ledger.Hash
}

func readVectors(t testing.TB) vectors {
	f, err := os.Open("testdata/certificate-transparency.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	v := vectors{nil, map[int64]ledger.Hash{}, map[[2]int64][]ledger.Hash{}, map[[2]int64][]ledger.Hash{}}
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	number := func(s string) int64 {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		w := strings.Fields(lines.Text())
		if len(w) == 0 || w[0] == "#" {
			continue
		}
		switch w[0] {
		case "leaf":
			v.leaves = append(v.leaves, unhex(strings.TrimPrefix(w[1], "-")))
		case "root":
			v.roots[number(w[1])] = ledger.Hash(unhex(w[2]))
		default:
			var proof []ledger.Hash
			for _, h := range w[3:] {
				proof = append(proof, ledger.Hash(unhex(h)))
			}
			key := [2]int64{number(w[1]), number(w[2])}
			if w[0] == "inclusion" {
				v.inclusion[key] = proof
			} else {
				v.consistency[key] = proof
			}
		}
	}
	if len(v.leaves) != 8 || len(v.roots) != 9 || len(v.inclusion) != 2 || len(v.consistency) != 3 {
		t.Fatal("the vectors are not complete")
	}
	return v
}

func TestCertificateTransparencyVectors(t *testing.T) {
	v := readVectors(t)
	list, trees := grow(t, v.leaves)
	for size, want := range v.roots {
		if got := trees[size].Root(); got != want {
			t.Errorf("root of %d leaves: %x, want %x", size, got, want)
		}
		if got, err := ledger.RootAt(list, size); err != nil || got != want {
			t.Errorf("RootAt %d: %x, %v, want %x", size, got, err, want)
		}
	}
	for key, want := range v.inclusion {
		got, err := ledger.Inclusion(list, key[1], key[0])
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("inclusion of %d in %d: %x, %v, want %x", key[0], key[1], got, err, want)
		}
		leaf := ledger.LeafHash(v.leaves[key[0]])
		if err := ledger.CheckInclusion(want, key[1], v.roots[key[1]], key[0], leaf); err != nil {
			t.Error(err)
		}
	}
	for key, want := range v.consistency {
		got, err := ledger.Consistency(list, key[0], key[1])
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("consistency of %d to %d: %x, %v, want %x", key[0], key[1], got, err, want)
		}
		if err := ledger.CheckConsistency(want, key[0], v.roots[key[0]], key[1], v.roots[key[1]]); err != nil {
			t.Error(err)
		}
	}
}

// treeHash is MTH of RFC 6962, section 2.1, written down word by word.
func treeHash(d [][]byte) [32]byte {
	switch len(d) {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return sha256.Sum256(append([]byte{0}, d[0]...))
	}
	k := 1
	for k*2 < len(d) {
		k *= 2
	}
	left, right := treeHash(d[:k]), treeHash(d[k:])
	return sha256.Sum256(slices.Concat([]byte{1}, left[:], right[:]))
}

func someLeaves(n int) [][]byte {
	leaves := make([][]byte, n)
	for i := range leaves {
		leaves[i] = binary.BigEndian.AppendUint32([]byte("leaf"), uint32(i))
	}
	return leaves
}

// TestEveryProof goes through all sizes, leaves and pairs of sizes of a small
// tree, and finds any bit flipped in a proof, a leaf or a root.
func TestEveryProof(t *testing.T) {
	const n = 40
	leaves := someLeaves(n)
	list, trees := grow(t, leaves)
	for size := int64(0); size <= n; size++ {
		want := ledger.Hash(treeHash(leaves[:size]))
		if got := trees[size].Root(); got != want {
			t.Fatalf("root of %d leaves: %v, want %v", size, got, want)
		}
		loaded, err := ledger.Load(list, size)
		if err != nil || loaded.Root() != want || loaded.Size() != size {
			t.Fatalf("loaded tree of %d leaves: %v, %v", size, loaded.Root(), err)
		}
	}
	flip := func(h ledger.Hash, bit int) ledger.Hash {
		h[bit/8%32] ^= 1 << (bit % 8)
		return h
	}
	bit := 0
	for size := int64(1); size <= n; size++ {
		root := trees[size].Root()
		for index := range size {
			proof, err := ledger.Inclusion(list, size, index)
			if err != nil {
				t.Fatal(err)
			}
			leaf := ledger.LeafHash(leaves[index])
			if err := ledger.CheckInclusion(proof, size, root, index, leaf); err != nil {
				t.Fatal(err)
			}
			bit++
			bad := [][]ledger.Hash{append(slices.Clone(proof), root)}
			for i := range proof {
				b := slices.Clone(proof)
				b[i] = flip(b[i], bit)
				bad = append(bad, b, proof[:i])
			}
			for _, b := range bad {
				if err := ledger.CheckInclusion(b, size, root, index, leaf); !errors.Is(err, ledger.ErrProof) {
					t.Fatalf("a bad proof of leaf %d of %d: %v", index, size, err)
				}
			}
			if ledger.CheckInclusion(proof, size, flip(root, bit), index, leaf) == nil ||
				ledger.CheckInclusion(proof, size, root, index, flip(leaf, bit)) == nil {
				t.Fatalf("leaf %d of %d: a flipped bit was not found", index, size)
			}
		}
		for old := int64(1); old <= size; old++ {
			proof, err := ledger.Consistency(list, old, size)
			if err != nil {
				t.Fatal(err)
			}
			oldRoot := trees[old].Root()
			if err := ledger.CheckConsistency(proof, old, oldRoot, size, root); err != nil {
				t.Fatal(err)
			}
			bit++
			for i := range proof {
				b := slices.Clone(proof)
				b[i] = flip(b[i], bit)
				if err := ledger.CheckConsistency(b, old, oldRoot, size, root); !errors.Is(err, ledger.ErrProof) {
					t.Fatalf("a bad proof from %d to %d: %v", old, size, err)
				}
			}
			if ledger.CheckConsistency(proof, old, flip(oldRoot, bit), size, root) == nil ||
				ledger.CheckConsistency(proof, old, oldRoot, size, flip(root, bit)) == nil {
				t.Fatalf("from %d to %d: a flipped bit was not found", old, size)
			}
		}
	}
}

func TestOutOfRange(t *testing.T) {
	list, trees := grow(t, someLeaves(3))
	root := trees[3].Root()
	for _, c := range []struct {
		name string
		err  error
		want error
	}{
		{"inclusion beyond", second(ledger.Inclusion(list, 3, 3)), ledger.ErrRange},
		{"inclusion below", second(ledger.Inclusion(list, 3, -1)), ledger.ErrRange},
		{"inclusion in nothing", second(ledger.Inclusion(list, 0, 0)), ledger.ErrRange},
		{"check inclusion beyond", ledger.CheckInclusion(nil, 3, root, 3, root), ledger.ErrRange},
		{"check inclusion of less than nothing", ledger.CheckInclusion(nil, -1, root, -2, root), ledger.ErrRange},
		{"consistency from nothing", second(ledger.Consistency(list, 0, 3)), ledger.ErrEmpty},
		{"consistency backward", second(ledger.Consistency(list, 3, 2)), ledger.ErrRange},
		{"check consistency from nothing", ledger.CheckConsistency(nil, 0, root, 3, root), ledger.ErrEmpty},
		{"check consistency backward", ledger.CheckConsistency(nil, 3, root, 2, root), ledger.ErrRange},
		{"check consistency below", ledger.CheckConsistency(nil, -1, root, 2, root), ledger.ErrRange},
		{"root below", second(ledger.RootAt(list, -1)), ledger.ErrRange},
	} {
		if !errors.Is(c.err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, c.err, c.want)
		}
	}
	if _, err := ledger.Load(list[:2], 3); err == nil {
		t.Error("a tree was loaded from a list that lacks its edge")
	}
	if _, err := ledger.Load(short{}, 3); err == nil {
		t.Error("a tree was loaded from a reader that gave fewer hashes than asked for")
	}
}

type short struct{}

func (short) ReadHashes([]int64) ([]ledger.Hash, error) { return nil, nil }

func second[T any](_ T, err error) error { return err }

// TestRollback keeps a copy of the tree and goes back to it now and then.
func TestRollback(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var tree ledger.Tree
	var kept [][]byte
	for group := range 400 {
		before := tree
		var added [][]byte
		for i := range random.IntN(4) {
			l := fmt.Appendf(nil, "%d.%d", group, i)
			added = append(added, l)
			tree.Append(nil, ledger.LeafHash(l))
		}
		if random.IntN(2) == 0 {
			tree = before
		} else {
			kept = append(kept, added...)
		}
		if want := ledger.Hash(treeHash(kept)); tree.Root() != want || tree.Size() != int64(len(kept)) {
			t.Fatalf("tree of %d leaves has root %v, want %d and %v", tree.Size(), tree.Root(), len(kept), want)
		}
	}
}

// FuzzProofs brings arbitrary bytes as proofs: only the true proof may be
// accepted.
func FuzzProofs(f *testing.F) {
	const n = 21
	leaves := someLeaves(n)
	list, trees := grow(f, leaves)
	root := trees[n].Root()
	for index := range int64(n) {
		proof, err := ledger.Inclusion(list, n, index)
		if err != nil {
			f.Fatal(err)
		}
		var b []byte
		for _, h := range proof {
			b = append(b, h[:]...)
		}
		f.Add(b, index, int64(n))
	}
	f.Fuzz(func(t *testing.T, b []byte, index, size int64) {
		var proof []ledger.Hash
		for ; len(b) >= ledger.HashSize; b = b[ledger.HashSize:] {
			proof = append(proof, ledger.Hash(b[:ledger.HashSize]))
		}
		leaf := ledger.LeafHash(leaves[uint64(index)%n])
		if ledger.CheckInclusion(proof, n, root, index, leaf) == nil {
			if want, err := ledger.Inclusion(list, n, index); err != nil || !slices.Equal(proof, want) {
				t.Errorf("leaf %d was proved with %x", index, proof)
			}
		}
		if old := index; ledger.CheckConsistency(proof, old, leaf, size, root) == nil && old != 1 {
			t.Errorf("a leaf's hash passed for the root of %d leaves", old)
		}
	})
}
