package seal

import (
	"bytes"
	"testing"
)

// contentsOf finds the value of the n-th /Contents of a signature, with its brackets.
func contentsOf(t testing.TB, pdf []byte, n int) place {
	t.Helper()
	at := 0
	for range n + 1 {
		i := bytes.Index(pdf[at:], []byte("/ByteRange ["))
		if i < 0 {
			t.Fatal("no /ByteRange")
		}
		at += i + len("/ByteRange ")
	}
	start := at + bytes.IndexByte(pdf[at:], '<')
	return place{rangeAt: at, start: start, behind: start + bytes.IndexByte(pdf[start:], '>') + 1}
}

// resign changes a file whose last signature is the first one, and signs the
// result as the owner of the key would: for faults that a broken digest hides.
func resign(t testing.TB, pdf []byte, id identity, change func([]byte) []byte) []byte {
	t.Helper()
	out := change(bytes.Clone(pdf))
	if bytes.Equal(out, pdf) {
		t.Fatal("nothing was changed")
	}
	p := contentsOf(t, out, 0)
	key, err := newSigningKey(Options{Signer: id.key, Chain: id.chain, SignedAt: signedAt})
	if err != nil {
		t.Fatal(err)
	}
	for i := p.start + 1; i < p.behind-1; i++ {
		out[i] = '0'
	}
	if err := p.sign(out, key); err != nil {
		t.Fatal(err)
	}
	return out
}
