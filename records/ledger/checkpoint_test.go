package ledger_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"kettlebook/records/ledger"
)

// testKey makes a signer and a verifier from a fixed seed. The key hash is
// the first four bytes of SHA-256 of the name, a newline, the algorithm
// number 1 and the public key, as the signed note format has it.
func testKey(t testing.TB, name string, seed byte) (note.Signer, note.Verifier, ed25519.PublicKey) {
	private := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, ed25519.SeedSize))
	public := private.Public().(ed25519.PublicKey)
	vkey, err := note.NewEd25519VerifierKey(name, public)
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(vkey)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(append([]byte(name+"\n\x01"), public...))
	skey := "PRIVATE+KEY+" + name + "+" + hex.EncodeToString(sum[:4]) + "+" +
		base64.StdEncoding.EncodeToString(append([]byte{1}, private.Seed()...))
	signer, err := note.NewSigner(skey)
	if err != nil {
		t.Fatal(err)
	}
	return signer, verifier, public
}

func testCheckpoint(t testing.TB) ledger.Checkpoint {
	v := readVectors(t)
	return ledger.Checkpoint{Origin: "example.org/kitchen/1", Size: 8, Root: v.roots[8]}
}

// TestFrozenCheckpoint holds the signed bytes to the ones that were printed
// before, and verifies them with nothing but crypto/ed25519 and the text.
func TestFrozenCheckpoint(t *testing.T) {
	signer, verifier, public := testKey(t, "example.org/kitchen", 7)
	c := testCheckpoint(t)
	signed, err := ledger.SignCheckpoint(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	frozen, err := os.ReadFile("testdata/checkpoint.txt")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(signed, frozen) {
		t.Fatalf("the signed checkpoint is\n%s\nwant\n%s", signed, frozen)
	}
	got, err := ledger.OpenCheckpoint(frozen, verifier)
	if err != nil || got != c {
		t.Fatalf("opened as %+v, %v; want %+v", got, err, c)
	}
	text, signature, ok := strings.Cut(string(frozen), "\n\n")
	if !ok {
		t.Fatal("no empty line")
	}
	want := "example.org/kitchen/1\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg="
	if text != want {
		t.Errorf("the text is %q, want %q", text, want)
	}
	fields := strings.Fields(signature)
	raw, err := base64.StdEncoding.DecodeString(fields[2])
	if err != nil || len(raw) != 4+ed25519.SignatureSize {
		t.Fatalf("signature line %q: %v", signature, err)
	}
	if fields[0] != "\u2014" || fields[1] != "example.org/kitchen" || !ed25519.Verify(public, []byte(text+"\n"), raw[4:]) {
		t.Errorf("the signature line %q does not verify", signature)
	}
}

func TestOpenCheckpointRefuses(t *testing.T) {
	signer, verifier, _ := testKey(t, "example.org/kitchen", 7)
	_, stranger, _ := testKey(t, "example.org/kitchen", 8)
	old, retired, _ := testKey(t, "example.org/kitchen", 9)
	c := testCheckpoint(t)
	signed, err := ledger.SignCheckpoint(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.OpenCheckpoint(signed, stranger); !errors.Is(err, ledger.ErrSignature) {
		t.Errorf("a stranger's key: %v", err)
	}
	if _, err := ledger.OpenCheckpoint(signed); !errors.Is(err, ledger.ErrSignature) {
		t.Errorf("no key: %v", err)
	}
	byOld, err := ledger.SignCheckpoint(c, old)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := ledger.OpenCheckpoint(byOld, verifier, retired); err != nil || got != c {
		t.Errorf("a retired key: %+v, %v", got, err)
	}
	for i := range signed {
		bad := bytes.Clone(signed)
		bad[i] ^= 1
		if got, err := ledger.OpenCheckpoint(bad, verifier); err == nil {
			t.Errorf("byte %d flipped: opened as %+v", i, got)
		}
	}
	// A sound signature over something else is no checkpoint.
	other, err := note.Sign(&note.Note{Text: "example.org/kitchen/1\n8\n"}, signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.OpenCheckpoint(other, verifier); !errors.Is(err, ledger.ErrCheckpoint) {
		t.Errorf("two lines: %v", err)
	}
}

func TestNeverSigned(t *testing.T) {
	signer, _, _ := testKey(t, "example.org/kitchen", 7)
	sound := testCheckpoint(t)
	for _, c := range []struct {
		name   string
		change func(*ledger.Checkpoint)
		want   error
	}{
		{"empty tree", func(c *ledger.Checkpoint) { c.Size = 0 }, ledger.ErrEmpty},
		{"negative size", func(c *ledger.Checkpoint) { c.Size = -1 }, ledger.ErrCheckpoint},
		{"no origin", func(c *ledger.Checkpoint) { c.Origin = "" }, ledger.ErrCheckpoint},
		{"origin of two lines", func(c *ledger.Checkpoint) { c.Origin = "a\nb" }, ledger.ErrCheckpoint},
		{"origin with a space at its end", func(c *ledger.Checkpoint) { c.Origin = "a " }, ledger.ErrCheckpoint},
		{"origin that is no text", func(c *ledger.Checkpoint) { c.Origin = "\xff" }, ledger.ErrCheckpoint},
		{"origin with a carriage return", func(c *ledger.Checkpoint) { c.Origin = "a\rb" }, ledger.ErrCheckpoint},
	} {
		bad := sound
		c.change(&bad)
		if _, err := ledger.SignCheckpoint(bad, signer); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	sound.Size = math.MaxInt64
	text, err := sound.Format()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := ledger.ParseCheckpoint(text); err != nil || got != sound {
		t.Errorf("the largest size: %+v, %v", got, err)
	}
}

func TestOneSpelling(t *testing.T) {
	text, err := testCheckpoint(t).Format()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.ParseCheckpoint(text); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{
		"", "\n\n\n", text + "\n", text + "more\n", strings.TrimSuffix(text, "\n"), " " + text,
		strings.Replace(text, "\n8\n", "\n08\n", 1), strings.Replace(text, "\n8\n", "\n+8\n", 1),
		strings.Replace(text, "\n8\n", "\n0\n", 1), strings.Replace(text, "\n8\n", "\n-8\n", 1),
		strings.Replace(text, "\n8\n", "\n9223372036854775808\n", 1),
		strings.Replace(text, "\n", "\r\n", 3), strings.Replace(text, "Qyg=", "Qyh=", 1),
		strings.Replace(text, "Qyg=", "Qyg", 1), strings.Replace(text, "Xcna", "Xc\rna", 1),
	} {
		if got, err := ledger.ParseCheckpoint(bad); !errors.Is(err, ledger.ErrCheckpoint) {
			t.Errorf("%q was read as %+v, %v", bad, got, err)
		}
	}
}

// FuzzParseCheckpoint: what is read is written the same again.
func FuzzParseCheckpoint(f *testing.F) {
	text, err := testCheckpoint(f).Format()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add("a\n1\n" + base64.StdEncoding.EncodeToString(make([]byte, 32)) + "\n")
	f.Add("a\n\n\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ledger.ParseCheckpoint(text)
		if err != nil {
			if !errors.Is(err, ledger.ErrCheckpoint) {
				t.Errorf("%q: %v", text, err)
			}
			return
		}
		if again, err := c.Format(); err != nil || again != text {
			t.Errorf("%q is written again as %q, %v", text, again, err)
		}
	})
}

// FuzzOpenCheckpoint: nothing but the signed bytes opens.
func FuzzOpenCheckpoint(f *testing.F) {
	signer, verifier, _ := testKey(f, "example.org/kitchen", 7)
	want := testCheckpoint(f)
	signed, err := ledger.SignCheckpoint(want, signer)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(signed)
	f.Add(signed[:len(signed)-1])
	f.Add([]byte("a\n1\nb\n\n\u2014 example.org/kitchen AAAA\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := ledger.OpenCheckpoint(b, verifier); err == nil && c != want {
			t.Errorf("%q opened as %+v", b, c)
		}
	})
}
